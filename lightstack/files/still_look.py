"""A first look at PNG, JPEG and DPX files: whether what they claim can be there at all, and whether their end is.

Their libraries read some of these without a word, or complain on their own of what we tell in one line.

References: W3C PNG, third edition, 5.3: a chunk is length, type, data, CRC; IEND is the last. ITU-T T.81, B.1.1:
markers, a zero byte after FF in coded data, EOI at the end. SMPTE ST 268-1: the fields of the image header.
"""

from __future__ import annotations

import re
import struct
import zlib
from pathlib import Path
from typing import BinaryIO

from lightstack.errors import UnreadableInput

__all__ = ["look_over_still"]

PIECE = 1 << 20  # bytes that are read at a time
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")  # none of those that stand within coded data
_EOI, _SOI, _TEM = 0xD9, 0xD8, 0x01


def look_over_still(path: Path) -> None:
    """Refuse a PNG, JPEG or DPX that is truncated or damaged as far as its structure tells; others are left alone.

    Raises UnreadableInput. Cost: reads a PNG or JPEG once.
    """
    with path.open("rb") as stream:
        head = stream.read(8)
        if head == b"\x89PNG\r\n\x1a\n":
            _check_png(path, stream)
        elif head[:3] == b"\xff\xd8\xff":
            _check_jpeg(path, stream)
        elif head[:4] in (b"SDPX", b"XPDS"):
            _check_dpx(path, stream, ">" if head[:4] == b"SDPX" else "<")


def _refuse(path: Path, what: str) -> UnreadableInput:
    return UnreadableInput(f"{path}: is truncated or damaged ({what}); copy it again")


def _check_png(path: Path, stream: BinaryIO) -> None:
    while len(head := stream.read(8)) == 8:
        length, check = int.from_bytes(head[:4]), zlib.crc32(head[4:])
        while length > 0 and (piece := stream.read(min(length, PIECE))):
            length, check = length - len(piece), zlib.crc32(piece, check)
        told = stream.read(4)
        if length or len(told) < 4:
            break
        if int.from_bytes(told) != check:
            raise _refuse(path, f"the check sum of its {head[4:].decode('latin-1')!r} is wrong")
        if head[4:] == b"IEND":
            return
    raise _refuse(path, f"{path.stat().st_size} bytes, its end is missing")


def _check_jpeg(path: Path, stream: BinaryIO) -> None:
    stream.seek(0)
    data = stream.read()
    place = 2
    while found := _MARKER.search(data, place):
        marker = data[found.start() + 1]
        if marker == _EOI:
            return
        place = found.end()
        if marker not in (_SOI, _TEM):
            place += int.from_bytes(data[place : place + 2])  # segments tell their length; coded data follows SOS
    raise _refuse(path, f"{len(data)} bytes, its end is missing")


def _check_dpx(path: Path, stream: BinaryIO, order: str) -> None:
    stream.seek(0)
    head = stream.read(2048)
    if len(head) < 812:
        raise _refuse(path, f"{len(head)} bytes, its header is cut")
    width, height = struct.unpack_from(order + "2I", head, 772)
    bits, _, encoding = struct.unpack_from(order + "BHH", head, 803)
    size = path.stat().st_size
    if encoding == 0 and width * height * bits > 8 * size:  # of one channel alone
        raise _refuse(path, f"{width} x {height} pixels cannot be in {size} bytes")
