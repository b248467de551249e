"""Linear light -> coded planes: the exact inverse of ``core.colour.planes``.

A hero is never taken apart and rebuilt: pixels that did not change keep their own codes, and chroma is
written as the hero's own samples plus the filtered-down *difference*, so detail that the light does not
touch keeps its sharpness, and no light at all gives back the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour import encode_kernels
from lightstack.core.colour.curves import Curve
from lightstack.core.colour.decoder import build_decoder, chroma_siting, code_scales, signal_matrix
from lightstack.core.colour.light import convert_matrix
from lightstack.core.colour.measured import curve_of, find_curve_of, name_curve
from lightstack.core.colour.planes import is_packed, whole_lines
from lightstack.core.compiled import run_bands
from lightstack.errors import SettingError
from lightstack.records import BoolArray, CodedFrame, Encoding, FloatArray

__all__ = ["EncodedPlanes", "count_beyond", "encode_planes", "turn_upright"]

LOWEST_OCTAVE = -26  # below 2**-26 of reference white the curve is a straight line to its value at 0
HIGHEST_OCTAVE = 12
STEPS_PER_OCTAVE_BITS = 9  # 512 entries an octave; interpolated, the error is below 0.001 of a 12-bit code


@dataclass(frozen=True, slots=True)
class EncodedPlanes:
    """Planes as ``CodedFrame.planes`` (native, not rotated) and how many pixels had to be limited."""

    planes: tuple[NDArray, ...]
    limited: int


@lru_cache(maxsize=32)
def _encode_table(curve: Curve) -> tuple[NDArray[np.float32], int]:
    """Signal at 0 and at evenly spaced values within each octave, for positive then negative light."""
    steps = 1 << STEPS_PER_OCTAVE_BITS
    octaves = np.repeat(np.arange(LOWEST_OCTAVE, HIGHEST_OCTAVE), steps).astype(np.float64)
    within = np.tile(1 + np.arange(steps) / steps, HIGHEST_OCTAVE - LOWEST_OCTAVE)
    values = np.concatenate([[0.0], within * 2.0**octaves, [2.0**HIGHEST_OCTAVE]])
    encode = curve.encode
    both = np.concatenate([encode(values), encode(-values)])
    return both.astype(np.float32), len(values)


def _code_limits(encoding: Encoding) -> tuple[float, float]:
    """Lowest and highest code that may be written; limited range keeps clear of the timing codes.

    References: ITU-R BT.709-6, table 3 (8 bit 1-254; 10 bit 4-1019).
    """
    step = 2.0 ** (encoding.bit_depth - 8)
    return (step, 255 * step - 1) if encoding.range == "limited" else (0.0, 2.0**encoding.bit_depth - 1)


def _fold_taps(sub: float, even: float) -> NDArray[np.float32]:
    """Weights at luma ``-1, 0, +1`` around a sample: the mirror image of the interpolation."""
    if sub == 1:
        return np.array([0, 1, 0], np.float32)
    return np.array([0, 0.5, 0.5] if even else [0.25, 0.5, 0.25], np.float32)


def _signal_weights(encoding: Encoding) -> NDArray[np.float64]:
    if encoding.chroma == "grey":  # a grey file takes the BT.709 luma of what is laid on it
        grey = np.linalg.inv(signal_matrix(_as_colour(encoding)))[0]
        return np.stack([grey, np.zeros(3), np.zeros(3)])
    return np.asarray(np.linalg.inv(signal_matrix(encoding)), np.float64)


def _as_colour(encoding: Encoding) -> Encoding:
    return Encoding("bt709", encoding.range, encoding.bit_depth, "444", "left", "bt709", "bt709")


def turn_upright(picture: NDArray, rotation: int, *, back: bool = False) -> NDArray:
    """Rotate a coded picture clockwise by ``rotation`` degrees (``back``: undo that). A copy only if turned.

    Raises SettingError unless ``rotation`` is a multiple of 90.
    """
    if rotation % 90:
        raise SettingError(f"rotate = {rotation} is not a quarter turn; expected 0, 90, 180 or 270")
    turns = (rotation // 90) % 4
    if turns == 0:
        return picture
    return np.ascontiguousarray(np.rot90(picture, turns if back else -turns))


def _native_planes(like: CodedFrame | None) -> tuple[NDArray, ...] | None:
    if like is None:
        return None
    if is_packed(like.planes):
        return tuple(np.ascontiguousarray(like.planes[0][..., i]) for i in range(3))
    return tuple(whole_lines(plane) for plane in like.planes)


def _check_encodable(encoding: Encoding, transfer_known: bool) -> None:
    if encoding.is_float or encoding.ocio_space is not None or not transfer_known:
        raise SettingError(
            f"pictures coded as {name_curve(encoding)!r} cannot be written back as they "
            "came; expected an integer encoding with a curve of the table; name a view for the preview"
        )


def encode_planes(
    linear: FloatArray,
    encoding: Encoding,
    *,
    like: CodedFrame | None = None,
    changed: BoolArray | None = None,
    rotation: int = 0,
    working: str | None = None,
) -> EncodedPlanes:
    """Code linear light ``(H, W, 3)`` (upright) as native planes.

    ``working``: primaries of ``linear``; default the encoding's own. ``like``: the frame that ``linear`` was
    made from. ``changed`` ``(H, W)`` bool, upright: where False the frame's own codes
    are kept; a chroma sample is rewritten only where a pixel of its cell changed. Values that have no code
    are limited, R'G'B' first as a camera clips, and counted.

    Raises SettingError for encodings that have no inverse here.

    Notes
    -----
    Chroma filter: [1 2 1]/4 across samples that lie on a luma sample, [1 1]/2 where they lie between two.
    """
    _check_encodable(encoding, find_curve_of(encoding) is not None)
    picture = np.ascontiguousarray(turn_upright(linear, rotation, back=True), np.float32)
    height, width = picture.shape[:2]
    mask = np.ones((height, width), bool)
    if changed is not None and like is not None:
        mask = np.ascontiguousarray(turn_upright(changed, rotation, back=True))
    own = _native_planes(like)
    first, second, third, limited = _encode_full(picture, mask, own, encoding, working)
    if encoding.chroma == "grey":
        return EncodedPlanes((first,), limited)
    coloured = [_fold(full, mask, own, encoding, index) for index, full in ((1, second), (2, third))]
    planes = (first, *coloured)
    if like is not None and is_packed(like.planes):
        planes = (np.stack(planes, axis=-1),)
    return EncodedPlanes(planes, limited)


def _encode_full(
    picture: NDArray[np.float32],
    mask: BoolArray,
    own: tuple[NDArray, ...] | None,
    encoding: Encoding,
    working: str | None,
) -> tuple[NDArray, NDArray, NDArray, int]:
    decoder = build_decoder(encoding)
    table, positive = _encode_table(curve_of(encoding))
    (black, codes), (_, chroma_codes) = code_scales(encoding)
    if encoding.matrix == "rgb":
        chroma_codes = codes
    to_native = np.eye(3)
    if working is not None and working != encoding.primaries:
        to_native = convert_matrix(working, encoding.primaries)
    limits = _code_limits(encoding)
    dtype = np.uint8 if encoding.bit_depth == 8 else np.uint16
    first = np.empty(mask.shape, dtype)
    second, third = np.empty(mask.shape, np.float32), np.empty(mask.shape, np.float32)
    over = np.zeros(mask.shape[0], np.int64)
    blank = np.zeros((1, 1), dtype)
    like = (*(own or ()), blank, blank, blank)[:3]
    shift = 23 - STEPS_PER_OCTAVE_BITS
    like_first, like_second, like_third = like
    run_bands(
        encode_kernels.encode_rows, *mask.shape, picture, mask, like_first, like_second, like_third,
        _chroma_width(encoding, mask.shape[1]),
        own is not None,
        to_native.astype(np.float32), table, (((LOWEST_OCTAVE + 127) << 23) >> shift) - 1, shift,
        np.array([1 / (1 << shift), 2.0**-LOWEST_OCTAVE], np.float32), positive,
        _signal_weights(encoding).astype(np.float32),
        np.array([codes, chroma_codes, chroma_codes], np.float32), decoder.offsets, decoder.matrix,
        decoder.siting, np.array(limits, np.float32),
        np.float32((limits[1] - black) / codes), first, second, third, over,
    )  # fmt: skip
    return first, second, third, int(over.sum())


def _chroma_width(encoding: Encoding, width: int) -> int:
    if encoding.chroma == "grey":
        return 1
    return (width + 1) // 2 if encoding.chroma in ("420", "422") else width


def _fold(
    full: NDArray[np.float32],
    mask: BoolArray,
    own: tuple[NDArray, ...] | None,
    encoding: Encoding,
    index: int,
) -> NDArray:
    siting = chroma_siting(encoding)
    sub_x, sub_y = int(siting[0]), int(siting[3])
    height, width = full.shape
    dtype = np.uint8 if encoding.bit_depth == 8 else np.uint16
    out = np.empty((-(-height // sub_y), -(-width // sub_x)), dtype)
    like = own[index] if own is not None else np.zeros((1, 1), dtype)
    offset = build_decoder(encoding).offsets[index]
    run_bands(
        encode_kernels.fold_chroma, out.shape[0], width, full, mask, like, own is not None,
        _fold_taps(sub_y, siting[4]), _fold_taps(sub_x, siting[1]),
        sub_y, sub_x, offset, np.array(_code_limits(encoding), np.float32), out,
    )  # fmt: skip
    return out


def count_beyond(
    light: FloatArray,
    encoding: Encoding,
    *,
    hero: FloatArray | None = None,
    changed: BoolArray | None = None,
    working: str | None = None,
) -> tuple[int, int, int]:
    """Count the pixels of ``light`` (H, W, 3) that are above what an encoding holds, in its own R, G and B.

    These are what `encode_planes` cuts off at the top. ``hero``: the light before, as the hero's own codes give it;
    what he holds above the limit himself is not cut. ``changed`` (H, W) bool: the other pixels keep their codes.
    ``working``: primaries of both, the encoding's own by default.

    Raises SettingError for encodings that have no inverse here.
    """
    _check_encodable(encoding, find_curve_of(encoding) is not None)
    black, codes = code_scales(encoding)[0]
    top = np.float32(curve_of(encoding).decode(np.array((_code_limits(encoding)[1] - black) / codes)))
    to_native = np.eye(3)
    if working is not None and working != encoding.primaries:
        to_native = convert_matrix(working, encoding.primaries)
    rows = to_native.astype(np.float32)
    counts = []
    for row in rows:
        beyond = ~(_mix_channel(light, row) <= (top if hero is None else np.maximum(_mix_channel(hero, row), top)))
        counts.append(int(np.count_nonzero(beyond if changed is None else beyond & changed)))
    return counts[0], counts[1], counts[2]


def _mix_channel(light: FloatArray, weights: FloatArray) -> FloatArray:
    """One channel of light in other primaries; no more than one channel is held at a time."""
    if np.count_nonzero(weights) == 1:
        return np.asarray(light[..., int(np.argmax(weights))])
    return np.asarray(sum(weights[k] * light[..., k] for k in range(3)), np.float32)
