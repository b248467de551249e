"""The pixel aspect of a Matroska movie, put into a file that is written.

PyAV has no way to tell the writer of this container about pixels that are not square. The size at which a picture is
shown stands among the facts of its track; beside them lie fillers and a number that says its own default, and their
room is enough for it. So nothing else in the file moves.

References
----------
RFC 8794 (EBML): 4 (variable-size integers), 11.3.2 (Void). RFC 9559 (Matroska): 5.1.4.1.28 (Video).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from lightstack.errors import OutputError

__all__ = ["put_pixel_aspect"]

SEGMENT, TRACKS, TRACK, VIDEO = 0x18538067, 0x1654AE6B, 0xAE, 0xE0
DISPLAY_WIDTH, DISPLAY_HEIGHT, DISPLAY_UNIT = 0x54B0, 0x54BA, 0x54B2
VOID, MAX_BLOCK_ADDITION = 0xEC, 0x55EE
HEAD_BYTES = 1 << 16  # the tracks lie at the beginning
PIXELS, RATIO = 0, 3  # display units


def put_pixel_aspect(path: Path, size: tuple[int, int], aspect: Fraction) -> None:
    """Say in a Matroska file how its picture of ``size`` (H, W) is shown. Raises OutputError where there is no room."""
    with path.open("r+b") as stream:
        head = stream.read(HEAD_BYTES)
        place = _find_track(head)
        if place is not None:
            start, end = place
            for shown in _list_shown(size, aspect):
                track = _write_track(head[start:end], shown)
                if track is not None:
                    stream.seek(start)
                    stream.write(track)
                    return
    raise OutputError(f"{path}: has no room for pixels of {aspect}; expected a Matroska file of lightstack's own")


def _list_shown(size: tuple[int, int], aspect: Fraction) -> list[tuple[int, int, int]]:
    """(width, height, unit) to be tried in turn: pixels where they come out whole, else their ratio, else rounded."""
    height, width = size
    ratio = Fraction(width, height) * aspect
    pixels = (round(width * aspect), height, PIXELS)
    exact = (ratio.numerator, ratio.denominator, RATIO)
    return [pixels] if (width * aspect).denominator == 1 else [exact, pixels]


def _find_track(head: bytes) -> tuple[int, int] | None:
    """Where the contents of the first track with a picture lie."""
    for kind, start, end in _list_elements(head, 0, len(head)):
        if kind == SEGMENT:
            for inner, first, last in _list_elements(head, start, end):
                if inner == TRACKS:
                    for track, a, b in _list_elements(head, first, last):
                        if track == TRACK and any(part == VIDEO for part, _, _ in _list_elements(head, a, b)):
                            return a, b
    return None


def _write_track(track: bytes, shown: tuple[int, int, int]) -> bytes | None:
    """Write a track's contents anew, in as many bytes; None where they do not fit."""
    kept = []
    for kind, start, end in _list_elements(track, 0, len(track)):
        content = track[start:end]
        if kind == VOID or (kind == MAX_BLOCK_ADDITION and not any(content)):
            continue
        kept.append(_write_element(kind, _write_video(content, shown) if kind == VIDEO else content))
    written = b"".join(kept)
    room = len(track) - len(written)
    if room == 0:
        return written
    if room < 2:  # a filler has at least two bytes
        return None
    return written + bytes([VOID, 0x80 | (room - 2)]) + bytes(room - 2) if room < 128 else None


def _write_video(video: bytes, shown: tuple[int, int, int]) -> bytes:
    width, height, unit = shown
    display = (DISPLAY_WIDTH, DISPLAY_HEIGHT, DISPLAY_UNIT)
    parts = _list_elements(video, 0, len(video))
    kept = [_write_element(kind, video[a:b]) for kind, a, b in parts if kind not in display]
    said = [(DISPLAY_WIDTH, width), (DISPLAY_HEIGHT, height), *([(DISPLAY_UNIT, unit)] if unit else [])]
    return b"".join([*kept, *(_write_element(kind, _to_bytes(value)) for kind, value in said)])


def _list_elements(data: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    """Give (identity, first byte of the content, byte after it) of the elements in a stretch of bytes."""
    while start < min(end, len(data)):
        kind, start = _read_number(data, start, marked=True)
        length, start = _read_number(data, start, marked=False)
        yield kind, start, start + length
        start += length


def _read_number(data: bytes, start: int, *, marked: bool) -> tuple[int, int]:
    """Read a number of variable length, with or without the bit that marks its length; give it and what is next."""
    if start >= len(data):
        return 0, start
    length = 9 - data[start].bit_length()
    value = int.from_bytes(data[start : start + length], "big")
    return value if marked else value & ((1 << 7 * length) - 1), start + length


def _write_element(kind: int, content: bytes) -> bytes:
    length = len(content)
    size = next(n for n in range(1, 9) if length < (1 << 7 * n) - 1)
    return _to_bytes(kind) + (length | 1 << 7 * size).to_bytes(size, "big") + content


def _to_bytes(value: int) -> bytes:
    return value.to_bytes(max(1, -(-value.bit_length() // 8)), "big")
