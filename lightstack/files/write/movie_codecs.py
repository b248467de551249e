"""Which codec holds a hero's own codes, and what of them it has to change."""

from __future__ import annotations

from dataclasses import dataclass, replace

from lightstack.core.colour.widen import widen_encoding, widens_exactly
from lightstack.errors import SettingError
from lightstack.files.write.movie_writer import find_format
from lightstack.records import Encoding

__all__ = ["MOVIE_CODECS", "MovieCodec", "choose_codec"]

MOVIE_CODECS = ("prores", "dnxhr", "ffv1")  # in the order of choice
SHOT_DEPTH = 10  # bits that a smooth light needs; fewer show steps
DNXHR_LEAST = (120, 256)  # lines and columns: the encoder takes no smaller pictures


@dataclass(frozen=True, slots=True)
class MovieCodec:
    """A codec for one hero. ``encoding``: of the movie's planes. ``exact``: every code of the hero has its own of the
    same signal, and chroma its own samples. ``notes``: one sentence for each thing that changes."""

    name: str
    suffix: str
    encoding: Encoding
    exact: bool
    notes: tuple[str, ...]


def choose_codec(encoding: Encoding, codec: str = "auto", *, size: tuple[int, int]) -> MovieCodec:
    """Choose how a hero's finished frames are coded.

    ``codec``: "prores" (422 HQ, or 4444), "dnxhr" (HQX, or 444), "ffv1" (lossless), or "auto": the first of these that
    keeps the hero's chroma sampling and has an own code for every one of his. ``size``: (H, W) as coded.

    Raises SettingError where the codec does not hold such pictures; it names one that does.
    """
    if codec != "auto":
        if codec not in MOVIE_CODECS:
            raise SettingError(f"movie = {codec!r} is not known; expected auto, {', '.join(MOVIE_CODECS)}")
        return _fit(encoding, codec, size)
    inexact: list[str] = []
    for name in MOVIE_CODECS:
        try:
            found = _fit(encoding, name, size)
        except SettingError:
            continue
        if found.exact:
            return found if name != "ffv1" else replace(found, notes=(*found.notes, _warn_reading(inexact)))
        inexact.append(name)
    raise SettingError(
        f"no codec of this build holds {_say(encoding)} pictures; install PyAV with ffv1, or hand on stills"
    )


def _fit(encoding: Encoding, name: str, size: tuple[int, int]) -> MovieCodec:
    fault = None if name == "ffv1" else (_fault_prores if name == "prores" else _fault_dnxhr)(encoding, size)
    if fault:
        raise SettingError(f"movie = {name!r}: {fault}; ffv1 holds {_say(encoding)} pictures as they are")
    chroma = encoding.chroma if name == "ffv1" else _pick_chroma(encoding)
    depth = SHOT_DEPTH
    if name == "ffv1" and (encoding.bit_depth > SHOT_DEPTH or not widens_exactly(encoding, SHOT_DEPTH)):
        depth = encoding.bit_depth  # rather the hero's own codes than more of them
    wide = widen_encoding(encoding, bit_depth=depth, chroma=chroma)
    find_format(wide, name)
    exact = chroma == encoding.chroma and widens_exactly(encoding, depth)
    suffix = ".mkv" if name == "ffv1" else ".mov"
    return MovieCodec(name, suffix, wide, exact, _note_changes(encoding, wide))


def _warn_reading(others: list[str]) -> str:
    """Say that FFV1 is not opened everywhere, and which codecs would do at the price of interpolated chroma."""
    instead = " or ".join(f'"{name}"' for name in others)
    return "ffv1 keeps the hero's own codes, but not every editing program opens it" + (
        f"; movie = {instead} is opened by more" if others else ""
    )


def _fault_prores(encoding: Encoding, size: tuple[int, int]) -> str | None:
    if encoding.matrix == "rgb" or encoding.chroma == "grey":
        return f"ProRes as written here holds Y'CbCr only, the hero is {_say(encoding)}"
    if encoding.range != "limited":
        return "ProRes holds limited range only, the hero is full range"
    if size[1] % 2 and _pick_chroma(encoding) == "422":  # the encoder leaves out the last column of chroma
        return f"ProRes 422 as written here needs an even width, the hero is {size[1]} pixels wide"
    return _fault_depth(encoding, "ProRes")


def _fault_dnxhr(encoding: Encoding, size: tuple[int, int]) -> str | None:
    if encoding.chroma == "grey":
        return "DNxHR holds colour only, the hero is grey"
    if encoding.matrix not in ("bt709", "rgb"):
        return f"DNxHR as written here is always read by the BT.709 matrix, the hero is {_say(encoding)}"
    if size[0] < DNXHR_LEAST[0] or size[1] < DNXHR_LEAST[1]:
        return f"DNxHR holds pictures from {DNXHR_LEAST[1]} x {DNXHR_LEAST[0]} on, the hero is {size[1]} x {size[0]}"
    return _fault_depth(encoding, "DNxHR")


def _fault_depth(encoding: Encoding, words: str) -> str | None:
    if encoding.bit_depth > SHOT_DEPTH:
        return f"{words} as written here has {SHOT_DEPTH} bits, the hero has {encoding.bit_depth}"
    return None


def _pick_chroma(encoding: Encoding) -> str:
    """Chroma sampling in a codec that has 4:2:2 and 4:4:4, both on the luma samples, and no word on where it lies."""
    if encoding.chroma not in ("420", "422"):
        return encoding.chroma
    return "444" if encoding.chroma_location == "center" else "422"


def _note_changes(have: Encoding, wide: Encoding) -> tuple[str, ...]:
    notes = []
    if have.chroma != wide.chroma:
        notes.append(
            f"chroma is interpolated from {_colons(have.chroma)} to {_colons(wide.chroma)}, as reading would"
        )
    if have.bit_depth != wide.bit_depth:
        how = "exactly" if widens_exactly(have, wide.bit_depth) else "to the nearest code"
        notes.append(f"the hero's {have.bit_depth}-bit codes are written as {wide.bit_depth}-bit ones, {how}")
    return tuple(notes)


def _colons(chroma: str) -> str:
    return ":".join(chroma)


def _say(encoding: Encoding) -> str:
    kind = "grey" if encoding.chroma == "grey" else "R'G'B'" if encoding.matrix == "rgb" else encoding.matrix
    chroma = "" if encoding.chroma == "grey" else f" {_colons(encoding.chroma)}"
    return f"{encoding.bit_depth}-bit {encoding.range}-range {kind}{chroma}"
