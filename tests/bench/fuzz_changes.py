"""Damage to the bytes of a file: by chance, and where its structure says how long things are."""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from random import Random

__all__ = ["damage"]

NUMBERS = (0, 1, 2, 7, 0x7F, 0xFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 100_000, 0x00FFFFFF)
WORDS = ("1e999", "-1", "nan", "9" * 20, "0", "1e-320", "", '"', "[", "{", "true", "null", "0x1", "\u20ac")
PNG, CRC_MENDED = b"\x89PNG\r\n\x1a\n", 0.8  # how often a PNG's checksums are made right again
EXR, TIFF = b"\x76\x2f\x31\x01", (b"II*\0", b"MM\0*")


def damage(data: bytes, other: bytes, rng: Random) -> tuple[bytes, str]:
    """Return damaged bytes and in a word how. ``other``: a sound file of the same kind."""
    text = is_text(data)
    ways = TEXT_WAYS if text and rng.random() < 0.7 else WAYS
    name = rng.choice(list(ways))
    changed = ways[name](bytearray(data), other, rng)
    if rng.random() < 0.2:
        second = rng.choice(list(ways))
        changed, name = ways[second](changed, other, rng), f"{name}+{second}"
    if data.startswith(PNG) and rng.random() < CRC_MENDED:
        changed = mend_png(changed)
    return bytes(changed), name


def is_text(data: bytes) -> bool:
    try:
        return b"\0" not in data and bool(data.decode())
    except UnicodeDecodeError:
        return False


# --- by chance -------------------------------------------------------------------------------------------------------


def flip_bits(data: bytearray, other: bytes, rng: Random) -> bytearray:
    for _ in range(rng.choice((1, 1, 2, 5, 20, 100))):
        if data:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    return data


def flip_head(data: bytearray, other: bytes, rng: Random) -> bytearray:
    """Most headers lie in the first few hundred bytes."""
    for _ in range(rng.choice((1, 2, 4, 8))):
        if data:
            data[rng.randrange(min(len(data), 600))] = rng.choice((0, 0xFF, 0x80, rng.randrange(256)))
    return data


def fill_run(data: bytearray, other: bytes, rng: Random) -> bytearray:
    begin, end = pick_run(data, rng)
    data[begin:end] = rng.choice((bytes(end - begin), b"\xff" * (end - begin), rng.randbytes(end - begin)))
    return data


def cut_off(data: bytearray, other: bytes, rng: Random) -> bytearray:
    return data[: rng.randrange(len(data) + 1)]


def drop_run(data: bytearray, other: bytes, rng: Random) -> bytearray:
    begin, end = pick_run(data, rng)
    del data[begin:end]
    return data


def repeat_run(data: bytearray, other: bytes, rng: Random) -> bytearray:
    begin, end = pick_run(data, rng)
    data[end:end] = bytes(data[begin:end]) * rng.choice((1, 2, 50))
    return data


def splice(data: bytearray, other: bytes, rng: Random) -> bytearray:
    begin, end = pick_run(data, rng)
    first, last = pick_run(bytearray(other), rng)
    data[begin:end] = other[first:last]
    return data


def pick_run(data: bytearray, rng: Random) -> tuple[int, int]:
    begin = rng.randrange(len(data) + 1)
    return begin, min(begin + rng.choice((1, 4, 16, 100, 1000, len(data))), len(data))


# --- where the structure is ------------------------------------------------------------------------------------------


def change_number(data: bytearray, other: bytes, rng: Random) -> bytearray:
    """Write a telling number over a length or another field of the structure."""
    places = list_fields(bytes(data))
    for _ in range(rng.choice((1, 1, 2, 4))):
        if places:
            place, size, order = rng.choice(places)
            whole = int.from_bytes(data[place : place + size], order)
            value = rng.choice((*NUMBERS, whole + 1, whole - 1, 2 * whole, whole // 2, rng.getrandbits(8 * size)))
            data[place : place + size] = (value % (1 << 8 * size)).to_bytes(size, order)
    return data


def list_fields(data: bytes) -> list[tuple[int, int, str]]:
    """Return (place, bytes, order) of the numbers that a file's structure hangs on."""
    if data.startswith(PNG):
        chunks = [(place + k, 4, "big") for place, length in walk_png(data) for k in (0, 8, 12)]
        return [*chunks, (24, 1, "big"), (25, 1, "big")]
    if data.startswith(EXR):
        return walk_exr(data)
    if data.startswith(TIFF):
        return walk_tiff(data)
    if data[4:8] in (b"ftyp", b"wide", b"moov", b"mdat"):
        return walk_boxes(data, 0, len(data))
    if data[:4] in (b"RIFF", b"FORM"):
        return walk_riff(data)
    if data[:4] in (b"SDPX", b"XPDS"):
        words = [(place, 4, "big") for place in (4, 16, 20, 24, 772, 776, 780, 808)]
        return words + [(place, 2, "big") for place in (768, 770, 802, 804, 806)]
    if data[:2] == b"\xff\xd8":
        return [(m.start() + 2, 2, "big") for m in re.finditer(rb"\xff[\xc0-\xfe]", data)]
    if data[:4] == b"\x1aE\xdf\xa3":  # EBML: any size byte may be one
        return [(place, size, "big") for place in range(4, min(len(data), 700)) for size in (1, 2)]
    kinds = [(size, order) for size in (2, 4) for order in ("little", "big")]
    return [(place, size, order) for place in range(0, min(len(data), 1200), 4) for size, order in kinds]


def walk_png(data: bytes) -> list[tuple[int, int]]:
    found, place = [], 8
    while place + 12 <= len(data):
        length = int.from_bytes(data[place : place + 4])
        found.append((place, length))
        place += 12 + length
    return found


def mend_png(data: bytearray) -> bytearray:
    for place, length in walk_png(bytes(data)):
        end = place + 8 + length
        if end + 4 <= len(data):
            data[end : end + 4] = zlib.crc32(data[place + 4 : end]).to_bytes(4)
    return data


def walk_exr(data: bytes) -> list[tuple[int, int, str]]:
    """Sizes and values of the attributes of the first headers, and the first chunk offsets."""
    found, place = [(4, 4, "little")], 8
    while place < min(len(data), 8000):
        named = re.compile(rb"[^\0]{1,255}\0[^\0]{1,255}\0").match(data, place)
        if named is None:
            found += [(at, 8, "little") for at in range(place + 1, min(place + 81, len(data) - 8), 8)]
            break
        size = int.from_bytes(data[named.end() : named.end() + 4], "little")
        found.append((named.end(), 4, "little"))
        found += [(named.end() + 4 + k, 4, "little") for k in range(0, min(size, 64), 4)]
        place = named.end() + 4 + size
        place += data[place : place + 1] == b"\0"
    return [field for field in found if field[0] + field[1] <= len(data)]


def walk_tiff(data: bytes) -> list[tuple[int, int, str]]:
    order = "little" if data[:1] == b"I" else "big"
    start = int.from_bytes(data[4:8], order)
    count = int.from_bytes(data[start : start + 2], order)
    found = [(4, 4, order), (start, 2, order)]
    for entry in range(start + 2, min(start + 2 + 12 * count, len(data) - 12), 12):
        found += [(entry, 2, order), (entry + 2, 2, order), (entry + 4, 4, order), (entry + 8, 4, order)]
    return [field for field in found if field[0] + field[1] <= len(data)]


def walk_boxes(data: bytes, place: int, end: int) -> list[tuple[int, int, str]]:
    """Sizes of boxes, and every word of the small ones. References: ISO/IEC 14496-12, 4.2."""
    found: list[tuple[int, int, str]] = []
    while place + 8 <= end:
        size, kind = int.from_bytes(data[place : place + 4]), data[place + 4 : place + 8]
        stop = min(place + size, end) if size >= 8 else end
        found.append((place, 4, "big"))
        if kind in (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"edts", b"udta", b"dinf"):
            found += walk_boxes(data, place + 8, stop)
        elif kind != b"mdat":
            found += [(at, 4, "big") for at in range(place + 8, min(stop, place + 200) - 4, 4)]
        place = stop
    return found


def walk_riff(data: bytes) -> list[tuple[int, int, str]]:
    order = "little" if data[:4] == b"RIFF" else "big"
    found, place = [(4, 4, order)], 12
    while place + 8 <= min(len(data), 4000):
        size = int.from_bytes(data[place + 4 : place + 8], order)
        found += [(at, 4, order) for at in range(place + 4, min(place + 8 + size, place + 72, len(data) - 4), 4)]
        place += 12 if data[place : place + 4] == b"LIST" else 8 + size + size % 2
    return found


# --- text ------------------------------------------------------------------------------------------------------------


def change_word(data: bytearray, other: bytes, rng: Random) -> bytearray:
    """Put something telling in place of a number or a word."""
    text = data.decode(errors="replace")
    places = list(re.finditer(r"-?\d+\.?\d*|\w+|[\[\]{}\",=:]", text))
    for spot in sorted(rng.sample(places, min(len(places), rng.choice((1, 1, 2, 5)))), key=lambda m: -m.start()):
        text = text[: spot.start()] + rng.choice(WORDS) + text[spot.end() :]
    return bytearray(text.encode(errors="replace"))


def change_lines(data: bytearray, other: bytes, rng: Random) -> bytearray:
    lines = bytes(data).splitlines(keepends=True) or [b""]
    place = rng.randrange(len(lines))
    line = lines[place]
    lines[place : place + 1] = rng.choice(([], [line] * rng.choice((2, 300)), [line[::-1]], [line * 40]))
    if rng.random() < 0.3:
        rng.shuffle(lines)
    return bytearray(b"".join(lines))


def nest_deep(data: bytearray, other: bytes, rng: Random) -> bytearray:
    begin = rng.randrange(len(data) + 1)
    opening, closing = rng.choice(((b"[", b"]"), (b'{"a":', b"}"), (b"(", b")"), (b'def "a" {', b"}"), (b"{a=", b"}")))
    depth = rng.choice((50, 3000, 100_000))
    data[begin:begin] = opening * depth + (closing * depth if rng.random() < 0.5 else b"")
    return data


Way = Callable[[bytearray, bytes, Random], bytearray]
WAYS: dict[str, Way] = {
    "bits": flip_bits, "head": flip_head, "run": fill_run, "cut": cut_off, "drop": drop_run, "repeat": repeat_run,
    "splice": splice, "number": change_number, "lengths": change_number, "fields": change_number,
}  # fmt: skip
TEXT_WAYS: dict[str, Way] = {
    "word": change_word, "words": change_word, "lines": change_lines, "nest": nest_deep, "cut": cut_off,
    "bits": flip_bits,
}  # fmt: skip
