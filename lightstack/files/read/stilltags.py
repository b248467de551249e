"""What a still's header says of its encoding, size and timing, in our own words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lightstack.core.colour.light import custom_primaries, match_primaries
from lightstack.errors import UnreadableInput
from lightstack.files.limits import check_limit, check_picture_size
from lightstack.files.read.still_parts import base_name, find_codes, find_picture
from lightstack.records import Encoding

__all__ = ["StillHeader", "read_tags"]

# SMPTE ST 268-1:2014 table 5A, transfer characteristic, by OpenImageIO's wording -> (curve, sure)
_DPX_TRANSFER = {
    "Printing density": ("cineon", True),
    "Logarithmic": ("cineon", False),  # "to be defined by vendor"
    "Linear": ("linear", True),
    "SMPTE 274M": ("bt709", True),
    "ITU-R 709-4": ("bt709", True),
    "ITU-R 601-5 system B or G": ("bt709", True),  # the same curve
    "ITU-R 601-5 system M": ("bt709", True),
    "Unspecified video": ("bt709", False),
}
# ITU-T H.273 (07/2024) tables 2 and 3, as PNG's cICP chunk carries them
_CICP_PRIMARIES = {1: "bt709", 5: "bt601_625", 6: "bt601_525", 9: "bt2020", 12: "p3d65"}
_CICP_TRANSFER = {
    1: "bt709",
    6: "bt709",
    8: "linear",
    13: "srgb",
    14: "bt2020",
    15: "bt2020_12",
    16: "pq",
    18: "hlg",
}


@dataclass(frozen=True, slots=True)
class StillHeader:
    """A still without its pixels.

    ``width``, ``height``: of the display window. ``window``: x, y, width, height of the stored pixels in it.
    ``part``, ``channels``: part and channel indices that hold R, G, B (three times the same for grey).
    ``codes``: "uint8", "uint16", "half" or "float". ``rotation``: degrees clockwise that make it upright.
    ``timecode`` and ``rate`` where the file says. ``notes``: one sentence each.
    """

    width: int
    height: int
    window: tuple[int, int, int, int]
    part: int
    channels: tuple[int, int, int]
    codes: str
    encoding: Encoding
    alpha_present: bool
    rotation: int = 0
    pixel_aspect: Fraction = Fraction(1)
    timecode: str | None = None
    rate: Fraction | None = None
    notes: tuple[str, ...] = ()


def read_tags(path: Path, specs: Sequence[Any], file_format: str) -> StillHeader:
    """Read the header of a still from its parts' OpenImageIO specs.

    Raises: UnreadableInput where no part holds a picture of R, G, B or grey, or it is absurdly large or deep.
    """
    found = find_picture(path, specs)
    spec = specs[found.part]
    _check_size(path, spec)
    notes = list(found.notes)
    alpha = any(base_name(name) == "A" for name in spec.channelnames)
    if alpha:
        notes.append("holds an alpha channel, which is not used")
    window = (spec.x - spec.full_x, spec.y - spec.full_y, spec.width, spec.height)
    if window != (0, 0, spec.full_width, spec.full_height):
        notes.append(
            f"stores {spec.width} x {spec.height} pixels at ({window[0]}, {window[1]}) of a "
            f"{spec.full_width} x {spec.full_height} picture; the rest is black"
        )
    codes = find_codes(path, spec, found.channels)
    assumed: list[str] = []
    encoding = _encoding(spec, file_format, codes, assumed)
    return StillHeader(
        width=spec.full_width,
        height=spec.full_height,
        window=window,
        part=found.part,
        channels=found.channels,
        codes=codes,
        encoding=encoding,
        alpha_present=alpha,
        rotation=_rotation(spec, notes),
        pixel_aspect=_pixel_aspect(spec, file_format),
        timecode=_timecode(spec),
        rate=_rate(spec),
        notes=tuple(notes),
    )


def _check_size(path: Path, spec: Any) -> None:
    for width, height in ((spec.full_width, spec.full_height), (spec.width, spec.height)):
        if min(width, height) < 1:
            raise UnreadableInput(f"{path}: claims to be {width} x {height} pixels; mend the file")
        check_picture_size(path, width, height)
    check_limit(path, "PICTURE_CHANNELS", spec.nchannels)
    check_limit(path, "PICTURE_PIXELS", spec.tile_width * spec.tile_height)


# --- encoding --------------------------------------------------------------------------------------


def _encoding(spec: Any, file_format: str, codes: str, assumed: list[str]) -> Encoding:
    is_float = codes in ("half", "float")
    bits = {"uint8": 8, "uint16": 16, "half": 16, "float": 32}[codes]
    if file_format == "openexr" or is_float:
        transfer, primaries = "linear", _float_primaries(spec, file_format, assumed)
    elif file_format == "dpx":
        bits = min(int(spec.getattribute("oiio:BitsPerSample") or bits), bits)
        transfer, primaries = _dpx_curve(spec, assumed), "bt709"
    else:
        transfer, primaries = _picture_curve(spec, file_format, assumed)
    return Encoding(
        matrix="rgb",
        range="full",
        bit_depth=bits,
        chroma="444",
        chroma_location="center",
        transfer=transfer,
        primaries=primaries,
        is_float=is_float,
        ceiling=math.inf if is_float else 1.0,
        assumed=tuple(assumed),
    )


def _float_primaries(spec: Any, file_format: str, assumed: list[str]) -> str:
    numbers = spec.getattribute("chromaticities")
    if numbers is None or len(numbers) != 8:
        if file_format == "openexr":
            assumed.append("no chromaticities in the file: Rec.709 primaries, as OpenEXR defines")
        else:
            assumed.append("floating-point picture without colour tags: linear light, Rec.709 primaries")
        return "bt709"
    return match_primaries(numbers) or custom_primaries(numbers).name


def _dpx_curve(spec: Any, assumed: list[str]) -> str:
    word = spec.getattribute("dpx:Transfer") or "Undefined"
    curve, sure = _DPX_TRANSFER.get(word, ("cineon", False))
    if not sure:
        assumed.append(f"the header's transfer is {word!r}: read as {curve}")
    if curve == "cineon":
        assumed.append("printing density names no primaries: Rec.709 taken")
    return curve


def _picture_curve(spec: Any, file_format: str, assumed: list[str]) -> tuple[str, str]:
    cicp = spec.getattribute("CICP")
    if cicp is not None and len(cicp) >= 2:
        if cicp[0] in _CICP_PRIMARIES and cicp[1] in _CICP_TRANSFER:
            return _CICP_TRANSFER[cicp[1]], _CICP_PRIMARIES[cicp[0]]
        assumed.append(f"colour code points {cicp[0]}/{cicp[1]} are not known here: sRGB taken")
    space = str(spec.getattribute("oiio:ColorSpace") or "")
    if space.startswith("lin"):
        return "linear", "bt709"
    if space.startswith("g22"):
        return "gamma22", "bt709"
    profile = spec.getattribute("ICCProfile:profile_description")
    if profile and "srgb" not in str(profile).lower():
        assumed.append(f"the embedded colour profile {str(profile)!r} is not used: sRGB taken")
    elif file_format == "tiff" and not profile:
        assumed.append("no colour tags in the file: sRGB taken")
    return "srgb", "bt709"


# --- the rest --------------------------------------------------------------------------------------


def _rotation(spec: Any, notes: list[str]) -> int:
    # Exif 2.32 tag 274: 3 = upside down, 6 = turn right, 8 = turn left; 2, 4, 5, 7 are mirrored besides, and these are
    # turned so that only left and right stay exchanged
    orientation = int(spec.getattribute("Orientation") or 1)
    if orientation in (2, 4, 5, 7):
        notes.append("is tagged as mirrored, left and right, which is not undone")
    return {3: 180, 4: 180, 6: 90, 5: 90, 8: 270, 7: 270}.get(orientation, 0)


def _pixel_aspect(spec: Any, file_format: str) -> Fraction:
    # JPEG, PNG and TIFF derive theirs from print resolutions, which cameras and scanners fill with anything.
    value = spec.getattribute("PixelAspectRatio") if file_format in ("openexr", "dpx") else None
    if value is None or not math.isfinite(value) or not 0.1 <= value <= 10:
        return Fraction(1)
    return Fraction(float(value)).limit_denominator(1000)


def _timecode(spec: Any) -> str | None:
    words = spec.getattribute("smpte:TimeCode")
    if words is None:
        return None
    if isinstance(words, str):
        return words
    word = int(words[0])  # SMPTE ST 12-1 binary-coded decimals, frames in the lowest byte
    hours, minutes, seconds, frames = (
        (word >> 24) & 0x3F,
        (word >> 16) & 0x7F,
        (word >> 8) & 0x7F,
        word & 0x3F,
    )
    sign = ";" if word & 0x40 else ":"
    if any(digits & 0x0F > 9 or digits >> 4 > 9 for digits in (hours, minutes, seconds, frames)):
        return None  # a field left undefined holds ones
    return f"{hours:02x}:{minutes:02x}:{seconds:02x}{sign}{frames:02x}"


def _rate(spec: Any) -> Fraction | None:
    value = spec.getattribute("FramesPerSecond")
    if value is not None and not isinstance(value, (int, float)) and len(value) == 2 and value[1]:
        return Fraction(int(value[0]), int(value[1]))
    number = spec.getattribute("dpx:FrameRate") or spec.getattribute("dpx:TemporalFrameRate")
    if number is None or not math.isfinite(number) or not 1 <= number <= 1000:
        return None
    return Fraction(float(number)).limit_denominator(1001)
