"""A first look at an EXR's headers, before a library makes room for what they claim.

References: OpenEXR, "OpenEXR File Layout" (openexr.com, version 3): magic number and version field, headers of
attributes (name, type, size, value), an empty name ends a header, in files of many parts an empty header ends them all;
then a table of one offset, 8 bytes, for every chunk.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

from lightstack.errors import UnreadableInput
from lightstack.files.folder import is_utf8
from lightstack.files.limits import check_limit, check_picture_size, find_limit

__all__ = ["look_over_exr"]

MAGIC = b"\x76\x2f\x31\x01"
MANY_PARTS = 0x1000
LONGEST_NAME = 255
FARTHEST = 1 << 30  # of a window's corner: whatever adds two of them stays a whole number of 32 bits
ROWS = {0: 1, 1: 1, 2: 1, 3: 16, 4: 32, 5: 16, 6: 32, 7: 32, 8: 32, 9: 256}  # of a chunk, by its compression
OFFSET_BYTES = 8


def look_over_exr(path: Path) -> None:
    """Refuse an EXR whose headers claim what cannot be or is beyond the limits; another kind of file is left alone.

    Raises UnreadableInput. Cost: reads the headers once; nothing is allocated by what they claim.
    """
    if not is_utf8(path):  # here, since every picture that a library opens passes by
        raise UnreadableInput(f"{path!a}: cannot be read (the name is no UTF-8); rename it")
    with path.open("rb") as stream:
        if stream.read(4) != MAGIC:
            return
        size = path.stat().st_size
        many = bool(int.from_bytes(stream.read(4), "little") & MANY_PARTS)
        chunks = parts = 0
        while True:
            header = _read_header(path, stream, size)
            if not header:
                break
            parts += 1
            check_limit(path, "PICTURE_PARTS", parts)
            chunks += _check_part(path, header)
            if not many:
                break
        if stream.tell() + OFFSET_BYTES * chunks > size:
            raise UnreadableInput(
                f"{path}: is truncated or damaged (the table of its {chunks} pieces is longer than its {size} bytes); "
                "copy it again"
            )


def _read_header(path: Path, stream: BinaryIO, size: int) -> dict[str, bytes]:
    """Read one part's attributes; only what is judged keeps its value."""
    found: dict[str, bytes] = {}
    while name := _read_word(path, stream):
        _read_word(path, stream)  # the type
        length = int.from_bytes(stream.read(4), "little", signed=True)
        rest = size - stream.tell()
        if not 0 <= length <= rest:
            raise UnreadableInput(
                f"{path}: is truncated or damaged (an attribute claims {length} bytes, {rest} are left); copy it again"
            )
        check_limit(path, "HEADER_BYTES", stream.tell() + length)
        if name in ("channels", "dataWindow", "displayWindow", "tiles", "compression"):
            found[name] = stream.read(length)
        else:
            stream.seek(length, 1)
            found[name] = b""
    return found


def _read_word(path: Path, stream: BinaryIO) -> str:
    """Read letters up to a zero. Raises UnreadableInput where none comes."""
    start = stream.tell()
    letters = stream.read(LONGEST_NAME + 1)
    end = letters.find(b"\0")
    if end < 0:
        raise UnreadableInput(f"{path}: is truncated or damaged (its header ends nowhere); copy it again")
    stream.seek(start + end + 1)
    return letters[:end].decode("latin-1")


def _check_part(path: Path, header: dict[str, bytes]) -> int:
    """Judge one part; return how many chunks its table lists at least."""
    check_limit(path, "PICTURE_CHANNELS", _count_channels(header.get("channels", b"")))
    width, height = _check_window(path, header.get("dataWindow", b""))
    _check_window(path, header.get("displayWindow", b""))
    if len(header.get("tiles", b"")) >= 8:
        across, down = struct.unpack_from("<2I", header["tiles"])
        check_limit(path, "PICTURE_PIXELS", across * down, claims=f"tiles of {across} x {down} pixels")
        return -(-width // max(across, 1)) * -(-height // max(down, 1))
    kind = header.get("compression", b"\0")[:1] or b"\0"
    return -(-height // ROWS.get(kind[0], 256))


def _check_window(path: Path, value: bytes) -> tuple[int, int]:
    """Judge a window; return its width and height, 0 where it is none: the library says so itself."""
    if len(value) != 16:
        return 0, 0
    left, top, right, bottom = struct.unpack("<4i", value)
    width, height = right - left + 1, bottom - top + 1
    if min(width, height) < 1 or max(abs(one) for one in (left, top, right, bottom)) > FARTHEST:
        raise UnreadableInput(f"{path}: claims a window from ({left}, {top}) to ({right}, {bottom}); mend the file")
    check_picture_size(path, width, height)
    return width, height


def _count_channels(value: bytes) -> int:
    """Count a list of channels: a name, a zero, 16 bytes each."""
    count = place = 0
    most = find_limit("PICTURE_CHANNELS")
    while count <= most and (end := value.find(b"\0", place)) > place:
        count, place = count + 1, end + 17
    return count
