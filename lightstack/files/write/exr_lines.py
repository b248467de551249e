"""Where every line of an uncompressed multi-part EXR lies, and the bytes that stand before the lines.

A light stack is written by lines, by several threads and in any order, and read again by bands: for that
the file's own arithmetic must be known. Nothing here opens a file.

References: OpenEXR, "OpenEXR File Layout" (openexr.com, version 3): magic number and version field, header
attributes, offset table, chunks of uncompressed scan lines with channels in alphabetical order.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import Primaries

__all__ = ["Attributes", "ExrLayout", "PartHeader", "plan_exr"]

Attributes = Mapping[str, str | int | float | Fraction]
CHUNK_HEAD = 12  # bytes before a line: part, line, size
_MAGIC, _VERSION, _MULTI_PART, _LONG_NAMES = 20000630, 2, 0x1000, 0x400
_KINDS = {"uint": (0, 4), "half": (1, 2), "float": (2, 4)}  # number in the file, bytes
_ALIGN = 64


@dataclass(frozen=True, slots=True)
class PartHeader:
    """One part of a multi-part EXR, declared before its picture is there.

    ``channels``: names in the order of the array's last axis, such as ("R", "G", "B", "A"). ``kind``:
    "half", "float" or "uint" (32 bit). ``attributes``: text and numbers for the header.
    """

    name: str
    channels: tuple[str, ...]
    kind: str = "half"
    compression: str = "zip"
    attributes: Attributes = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ExrLayout:
    """An uncompressed file's plan. ``head``: what stands before the offset tables; ``starts``: where each
    part's lines begin; ``steps``: bytes from one line to the next; ``size_bytes``: of the whole file."""

    head: bytes
    height: int
    width: int
    headers: tuple[PartHeader, ...]
    starts: tuple[int, ...]
    steps: tuple[int, ...]
    size_bytes: int

    def offset_tables(self) -> bytes:
        """Return the offset tables of all parts, as they follow ``head``."""
        lines = np.arange(self.height, dtype=np.uint64)
        tables = [np.uint64(a) + lines * np.uint64(b) for a, b in zip(self.starts, self.steps, strict=True)]
        return np.concatenate(tables).astype("<u8").tobytes()

    def offset(self, part: int, row: int) -> int:
        """Return where a line's chunk begins in the file."""
        return self.starts[part] + row * self.steps[part]

    def blank_lines(self, part: int, first: int, rows: int) -> NDArray[np.uint16]:
        """Return the chunks of some lines, ``(rows, words)`` uint16, heads filled in; see ``planes_of``."""
        chunks = np.zeros((rows, self.steps[part] // 2), np.uint16)
        self.head_lines(chunks, part, first)
        return chunks

    def head_lines(self, chunks: NDArray[np.uint16], part: int, first: int) -> None:
        """Fill in the heads of chunks for the lines from ``first`` on."""
        heads = chunks[:, : CHUNK_HEAD // 2].view("<i4")
        heads[:, 0], heads[:, 2] = part, self.steps[part] - CHUNK_HEAD
        heads[:, 1] = np.arange(first, first + len(chunks))

    def planes_of(self, chunks: NDArray[np.uint16], part: int) -> NDArray[np.uint16]:
        """Return the pixels of a half part's chunks as ``(rows, channels, width)``, channels by alphabet."""
        count = len(self.headers[part].channels)
        return chunks[:, CHUNK_HEAD // 2 :].reshape(len(chunks), count, self.width)


def plan_exr(headers: Sequence[PartHeader], *, size: tuple[int, int], primaries: Primaries) -> ExrLayout:
    """Plan an uncompressed multi-part EXR of pictures ``size`` (H, W).

    Raises ValueError for a kind that is unknown, or parts whose names repeat.
    """
    names = [header.name for header in headers]
    if len(set(names)) != len(names):
        raise ValueError("parts of an EXR need different names")
    height, width = size
    longest = max(len(text) for header in headers for text in (header.name, *header.channels, *header.attributes))
    flags = _VERSION | _MULTI_PART | (_LONG_NAMES if longest > 31 else 0)
    described = b"".join(_describe(header, size, primaries) for header in headers)
    head = struct.pack("<II", _MAGIC, flags) + described + b"\0"
    steps = [CHUNK_HEAD + width * _KINDS[header.kind][1] * len(header.channels) for header in headers]
    first = -(-(len(head) + 8 * height * len(headers)) // _ALIGN) * _ALIGN
    edges = [first]
    for step in steps:
        edges.append(edges[-1] + step * height)
    return ExrLayout(head, height, width, tuple(headers), tuple(edges[:-1]), tuple(steps), edges[-1])


def _describe(header: PartHeader, size: tuple[int, int], primaries: Primaries) -> bytes:
    """Return one part's header."""
    if header.kind not in _KINDS:
        raise ValueError(f"kind {header.kind!r}: one of {', '.join(_KINDS)}")
    window = struct.pack("<4i", 0, 0, size[1] - 1, size[0] - 1)
    kind = _KINDS[header.kind][0]
    channels = b"".join(
        _text(name) + struct.pack("<iB3xii", kind, 0, 1, 1) for name in sorted(header.channels)
    )
    own = [_attribute(key, *_code(value)) for key, value in sorted(header.attributes.items())]
    return b"".join(
        [
            _attribute("channels", "chlist", channels + b"\0"),
            _attribute("chromaticities", "chromaticities", struct.pack("<8f", *primaries.chromaticities)),
            _attribute("chunkCount", "int", struct.pack("<i", size[0])),
            _attribute("compression", "compression", b"\0"),
            _attribute("dataWindow", "box2i", window),
            _attribute("displayWindow", "box2i", window),
            _attribute("lineOrder", "lineOrder", b"\0"),
            _attribute("name", "string", header.name.encode()),
            _attribute("pixelAspectRatio", "float", struct.pack("<f", 1)),
            _attribute("screenWindowCenter", "v2f", struct.pack("<2f", 0, 0)),
            _attribute("screenWindowWidth", "float", struct.pack("<f", 1)),
            _attribute("type", "string", b"scanlineimage"),
            *own,
            b"\0",
        ]
    )


def _code(value: str | int | float | Fraction) -> tuple[str, bytes]:
    if isinstance(value, str):
        return "string", value.encode()
    if isinstance(value, Fraction):
        return "rational", struct.pack("<iI", value.numerator, value.denominator)
    return ("int", struct.pack("<i", value)) if isinstance(value, int) else ("float", struct.pack("<f", value))


def _attribute(name: str, kind: str, data: bytes) -> bytes:
    return _text(name) + _text(kind) + struct.pack("<i", len(data)) + data


def _text(text: str) -> bytes:
    return text.encode() + b"\0"
