"""Colour tags of a movie -> names of curves, primaries and matrices; and what is assumed without tags.

References
----------
ITU-T H.273 (2016-12), tables 2 (colour primaries), 3 (transfer characteristics), 4 (matrix coefficients).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from lightstack.core.colour.ceiling import put_ceiling
from lightstack.core.colour.light import CURVE_PRIMARIES, CURVES, PRIMARIES
from lightstack.core.colour.names import MEASURED
from lightstack.errors import SettingError, UnreadableInput
from lightstack.files.read.pixels import PixelLayout
from lightstack.files.read.response import fit_encoding
from lightstack.records import Encoding

__all__ = ["ColourTags", "name_encoding", "put_response", "resolve_named", "write_tags"]

UNSPECIFIED = 2
_PRIMARIES = {1: "bt709", 5: "bt601_625", 6: "bt601_525", 7: "bt601_525", 9: "bt2020", 12: "p3d65"}
# 1, 6, 14 and 15 are one curve at different precision; 11 is the same, extended to negative light.
_TRANSFERS = {
    1: "bt709",
    4: "gamma22",
    6: "bt709",
    8: "linear",
    11: "bt709",
    13: "srgb",
    14: "bt2020",
    15: "bt2020_12",
    16: "pq",
    18: "hlg",
}
_MATRICES = {0: "rgb", 1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020"}
_LOCATIONS = {"left": "left", "center": "center", "topleft": "topleft", "unspecified": None}
RANGE_LIMITED, RANGE_FULL = 1, 2


@dataclass(frozen=True, slots=True)
class ColourTags:
    """What a stream says of its own colour, as numbers of H.273; 2 or 0 = not said."""

    primaries: int
    transfer: int
    matrix: int
    range: int  # 1 limited, 2 full, 0 not said
    chroma_location: str  # a name, or "unspecified"
    codec: str
    dynamic: bool = False  # carries colour metadata that changes from frame to frame


def write_tags(encoding: Encoding) -> dict[str, int]:
    """Give the H.273 numbers that describe an encoding; 2 where no number does."""
    transfers = {
        "bt709": 1,
        "srgb": 13,
        "linear": 8,
        "gamma22": 4,
        "bt2020": 14,
        "bt2020_12": 15,
        "pq": 16,
        "hlg": 18,
    }
    primaries = {"bt709": 1, "bt601_625": 5, "bt601_525": 6, "bt2020": 9, "p3d65": 12}
    matrices = {"rgb": 0, "bt709": 1, "bt601": 6 if encoding.primaries != "bt601_625" else 5, "bt2020": 9}
    return {
        "color_primaries": primaries.get(encoding.primaries, UNSPECIFIED),
        "color_trc": transfers.get(encoding.transfer, UNSPECIFIED),
        "colorspace": matrices[encoding.matrix],
        "color_range": RANGE_LIMITED if encoding.range == "limited" else RANGE_FULL,
    }


def name_encoding(
    tags: ColourTags,
    layout: PixelLayout,
    height: int,
    *,
    colour: str,
    range: str,
    matrix: str,
    source: str,
    config: str | Path | None = None,
    response: Path | None = None,
) -> Encoding:
    """Name a movie's encoding from its tags, what was asked for, and what is usual where neither speaks.

    ``colour``, ``range``, ``matrix``: "auto" or a name. ``source``: the file, for messages. ``response``: file that
    "measured" footage is read by. Every guess becomes a sentence in ``Encoding.assumed``.

    Raises SettingError for unknown names, UnreadableInput for tags that cannot be decoded.

    Notes: without tags, 720 lines and more are taken as BT.709, fewer as BT.601; this is common practice of
    the trade, not a standard.
    """
    assumed: list[str] = []
    rgb = layout.family.startswith("rgb")
    grey = layout.chroma == "grey"
    named_matrix = "rgb" if rgb else _pick_matrix(tags, height, matrix, source, assumed, grey=grey)
    named_range = _pick_range(tags, layout, range, assumed)
    location = _pick_location(tags, layout, assumed)
    encoding = Encoding(
        matrix=named_matrix,
        range=named_range,
        bit_depth=layout.bit_depth,
        chroma=layout.chroma,
        chroma_location=location,
        transfer="bt709",
        primaries="bt709",
    )
    if colour == MEASURED:  # the tagged curve only says how the file is shown
        shown = _TRANSFERS.get(tags.transfer, "bt709")
        encoding = replace(encoding, transfer=shown, primaries=_pick_primaries(tags, height, source, assumed))
        encoding = put_response(encoding, response, source=source)
    elif colour != "auto":
        encoding = resolve_named(encoding, colour, source=source, config=config)
    else:
        transfer = _pick_transfer(tags, source, assumed)
        encoding = replace(
            encoding, transfer=transfer, primaries=_pick_primaries(tags, height, source, assumed)
        )
    return put_ceiling(replace(encoding, assumed=(*encoding.assumed, *assumed)))


def put_response(encoding: Encoding, response: Path | None, *, source: str) -> Encoding:
    """Have an encoding decoded by the response that lies in a file.

    Raises SettingError without one or where it does not fit, MissingInput, UnreadableInput.
    """
    if response is None:
        raise SettingError(f'{source}: colour = "measured" needs a response, the file that `lightstack inspect` writes')
    return replace(encoding, response=fit_encoding(encoding, response, source=source), ocio_space=None)


def resolve_named(
    encoding: Encoding, colour: str, *, source: str = "", config: str | Path | None = None
) -> Encoding:
    """Put a named colour ("curve", "curve/primaries", or a space of the colour configuration) on an encoding.

    Raises SettingError with the nearest names; it begins with ``source``, the file, where that is given.
    """
    curve, _, primaries = colour.partition("/")
    if curve in CURVES and (not primaries or primaries in PRIMARIES):
        chosen = primaries or CURVE_PRIMARIES.get(curve, encoding.primaries)
        note = () if primaries else (f"{curve} is taken to be recorded in {chosen} primaries",)
        assumed = encoding.assumed + note
        return replace(encoding, transfer=curve, primaries=chosen, ocio_space=None, assumed=assumed)
    from lightstack.files.read.colour import resolve_colour  # the colour configuration takes long to load

    try:
        found = resolve_colour(colour, config=config)
    except SettingError as error:
        raise SettingError(f"{source}: {error}" if source else str(error)) from error
    return replace(encoding, transfer=found.transfer, primaries=found.primaries, ocio_space=found.ocio_space)


def _pick_matrix(
    tags: ColourTags, height: int, asked: str, source: str, assumed: list[str], *, grey: bool
) -> str:
    if asked != "auto":
        if asked not in ("bt601", "bt709", "bt2020"):
            raise SettingError(f"matrix = {asked!r} is not known; expected auto, bt601, bt709 or bt2020")
        return asked
    if tags.matrix in _MATRICES and tags.matrix != 0:
        return _MATRICES[tags.matrix]
    if tags.matrix not in (0, UNSPECIFIED, 3):
        raise UnreadableInput(
            f"{source}: its colour matrix (number {tags.matrix} of ITU-T H.273) is not read; "
            "expected BT.601, BT.709 or BT.2020; convert the file, or name the matrix"
        )
    wide = _PRIMARIES.get(tags.primaries) == "bt2020"  # whose matrix goes with them, whatever the lines
    guess = "bt2020" if wide else "bt709" if height >= 720 else "bt601"
    if not grey:
        assumed.append(f"no matrix tag: {guess} is assumed for {'bt2020 primaries' if wide else f'{height} lines'}")
    return guess


def _pick_range(tags: ColourTags, layout: PixelLayout, asked: str, assumed: list[str]) -> str:
    if asked != "auto":
        named = {"full": "full", "limited": "limited", "legal": "limited"}.get(asked)
        if named is None:
            raise SettingError(f"range = {asked!r} is not known; expected auto, full or limited")
        return named
    if layout.full_by_name or tags.range == RANGE_FULL:
        return "full"
    if tags.range == RANGE_LIMITED:
        return "limited"
    guess = "full" if layout.family.startswith("rgb") or layout.chroma == "grey" else "limited"
    assumed.append(f"no range tag: {guess} range is assumed")
    return guess


def _pick_location(tags: ColourTags, layout: PixelLayout, assumed: list[str]) -> str:
    named = _LOCATIONS.get(tags.chroma_location, "other")
    if layout.chroma not in ("420", "422") or named in ("left", "center", "topleft"):
        return named if named in ("left", "center", "topleft") else "left"
    guess = "center" if tags.codec == "mjpeg" else "left"
    if named == "other":
        assumed.append(f"chroma location {tags.chroma_location!r} is not read: {guess} is used")
    return guess


def _pick_transfer(tags: ColourTags, source: str, assumed: list[str]) -> str:
    name = _TRANSFERS.get(tags.transfer)
    if name is not None and name in CURVES:
        return name
    if tags.dynamic and name is None:
        raise UnreadableInput(
            f"{source}: its colours are described by metadata that changes from frame to frame, and no "
            "standard curve is tagged; export it as BT.709 or HLG first"
        )
    if tags.transfer not in (0, UNSPECIFIED, 3):
        raise UnreadableInput(
            f"{source}: its transfer curve (number {tags.transfer} of ITU-T H.273) is not read; "
            'name the curve, for example colour = "bt709"'
        )
    assumed.append("no transfer tag: the bt709 camera curve is assumed")
    return "bt709"


def _pick_primaries(tags: ColourTags, height: int, source: str, assumed: list[str]) -> str:
    name = _PRIMARIES.get(tags.primaries)
    if name is not None:
        return name
    if tags.primaries not in (0, UNSPECIFIED, 3):
        raise UnreadableInput(
            f"{source}: its primaries (number {tags.primaries} of ITU-T H.273) are not read; "
            'name them, for example colour = "bt709/bt709"'
        )
    guess = {480: "bt601_525", 486: "bt601_525", 576: "bt601_625"}.get(height, "bt709")
    assumed.append(f"no primaries tag: {guess} is assumed")
    return guess
