"""Coded planes <-> linear light: range, chroma position, matrix, curve and primaries in one pass.

A *signal* is R'G'B' on the scale where 1.0 is the reference white code; a *code* is the integer in the
file. Chroma is interpolated linearly between its samples, which lie where ``chroma_location`` says; the
picture's edge repeats. Nothing is clipped on the way in: signals below 0 and above 1 keep their meaning.

References
----------
ITU-T H.273 (2016-12), 8.3: equations for limited and full range luma, chroma and R'G'B' codes.
ITU-R BT.601-7, BT.709-6, BT.2020-2: luma weights (held by ``core.light``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lightstack.core import kernels, proxy_kernels
from lightstack.core.light import CURVES, convert_matrix, ycbcr_weights
from lightstack.errors import SettingError
from lightstack.records import Encoding

__all__ = [
    "Decoder",
    "ProxyFrame",
    "build_decoder",
    "decode_linear",
    "decode_proxy",
    "decode_signal",
    "find_clipped",
]

STEPS_PER_UNIT = 8192  # table entries per 1.0 of signal: interpolated, under 0.01 of a 12-bit code off
CLIP_SHARE = 0.995  # of the ceiling: what counts as clipped

FloatArray = NDArray[np.float32]
Planes = Sequence[NDArray]


class ProxyFrame(NamedTuple):
    """A box-averaged frame: ``rgb`` ``(h, w, 3)`` float32 linear; ``clipped`` ``(h, w)`` uint8 bits R/G/B."""

    rgb: FloatArray
    clipped: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Decoder:
    """Everything that the compiled pass needs to know of one encoding.

    ``matrix`` ``(3, 3)``: codes less ``offsets`` -> signal. ``siting`` ``(6,)``: horizontal subsampling and
    the far sample's share at even and odd positions, then the same vertically. ``table``: linear light at
    signals ``low + i / per_unit``. ``primaries`` ``(3, 3)``: into the working space. ``ceiling``: signal
    from which a channel counts as clipped.
    """

    encoding: Encoding
    offsets: FloatArray
    matrix: FloatArray
    siting: FloatArray
    table: FloatArray
    low: np.float32
    per_unit: np.float32
    primaries: FloatArray
    ceiling: np.float32


def code_scales(encoding: Encoding) -> tuple[tuple[float, float], tuple[float, float]]:
    """Give (zero code, codes per 1.0 of signal) of luma or R'G'B', and of chroma.

    References: ITU-T H.273, equations 20-31 (limited range scales by 2^(depth - 8), full by 2^depth - 1).
    """
    step = 2.0 ** (encoding.bit_depth - 8)
    middle = 2.0 ** (encoding.bit_depth - 1)
    if encoding.range == "limited":
        return (16 * step, 219 * step), (middle, 224 * step)
    full = 2.0**encoding.bit_depth - 1
    return (0.0, full), (middle, full)


def signal_matrix(encoding: Encoding) -> NDArray[np.float64]:
    """Matrix from luma and chroma signals (Y', Cb, Cr) to R'G'B', ``(3, 3)``; identity for R'G'B'."""
    if encoding.chroma == "grey":
        return np.array([[1.0, 0, 0]] * 3)
    if encoding.matrix == "rgb":
        return np.eye(3)
    kr, kb = ycbcr_weights(encoding.matrix)
    kg = 1 - kr - kb
    red, blue = 2 * (1 - kr), 2 * (1 - kb)
    return np.array([[1, 0, red], [1, -blue * kb / kg, -red * kr / kg], [1, blue, 0]])


def chroma_siting(encoding: Encoding) -> FloatArray:
    """Subsampling and interpolation shares, ``(6,)``: see ``Decoder.siting``.

    Raises SettingError for a subsampling or location that is not known.
    """
    beside = np.array([0.0, 0.5])  # chroma lies on every second luma sample
    between = np.array([0.25, 0.25])  # chroma lies midway between two luma samples
    layouts = {"444": (1, 1), "grey": (1, 1), "422": (2, 1), "420": (2, 2)}
    if encoding.chroma not in layouts or encoding.chroma_location not in ("left", "center", "topleft"):
        raise SettingError(
            f"chroma {encoding.chroma} at {encoding.chroma_location!r} is not known; "
            "expected 444, 422, 420 or grey at left, center or topleft"
        )
    sub_x, sub_y = layouts[encoding.chroma]
    across = between if encoding.chroma_location == "center" else beside
    down = beside if encoding.chroma_location == "topleft" else between
    return np.array([sub_x, *across, sub_y, *down], np.float32)


def _signal_bounds(offsets: NDArray, matrix: NDArray, depth: int) -> tuple[float, float]:
    ends = np.stack([0 - offsets, 2.0**depth - 1 - offsets])
    low = np.minimum(matrix * ends[0], matrix * ends[1]).sum(axis=1).min()
    high = np.maximum(matrix * ends[0], matrix * ends[1]).sum(axis=1).max()
    return float(low), float(high)


def _curve_table(encoding: Encoding, low: float, high: float) -> FloatArray:
    signal = low + np.arange(int((high - low) * STEPS_PER_UNIT) + 3) / STEPS_PER_UNIT
    if encoding.ocio_space is not None:
        return signal.astype(np.float32)
    # Logarithms grow past float32 at signals that only a broken matrix reaches; infinities would spread.
    return np.clip(CURVES[encoding.transfer].decode(signal), -1e30, 1e30).astype(np.float32)


@lru_cache(maxsize=64)
def build_decoder(encoding: Encoding, working: str | None = None) -> Decoder:
    """Tabulate an encoding for ``decode_linear``; ``working`` names primaries to convert into.

    Where ``ocio_space`` is set, "linear" is the R'G'B' signal itself: a colour processor comes after.
    """
    (black, luma_codes), (middle, chroma_codes) = code_scales(encoding)
    rgb = encoding.matrix == "rgb" or encoding.chroma == "grey"
    offsets = np.array([black, black, black] if rgb else [black, middle, middle])
    codes = np.array([luma_codes] * 3 if rgb else [luma_codes, chroma_codes, chroma_codes])
    matrix = signal_matrix(encoding) / codes
    low, high = _signal_bounds(offsets, matrix, encoding.bit_depth)
    low = np.floor(low * STEPS_PER_UNIT) / STEPS_PER_UNIT
    convert = np.eye(3)
    if working is not None and working != encoding.primaries and encoding.ocio_space is None:
        convert = convert_matrix(encoding.primaries, working)
    return Decoder(
        encoding=encoding,
        offsets=offsets.astype(np.float32),
        matrix=matrix.astype(np.float32),
        siting=chroma_siting(encoding),
        table=_curve_table(encoding, low, high),
        low=np.float32(low),
        per_unit=np.float32(STEPS_PER_UNIT),
        primaries=np.ascontiguousarray(convert, np.float32),
        ceiling=np.float32(CLIP_SHARE * encoding.ceiling),
    )


def whole_lines(plane: NDArray) -> NDArray:
    """Give a plane as a C-contiguous array whose lines may be longer than the picture, without copying.

    The columns past the picture are the decoder's padding and are never read.
    """
    item = plane.itemsize
    if plane.flags.c_contiguous:
        return plane
    stride = plane.strides[0]
    if plane.strides[1] != item or stride <= 0 or stride % item:
        return np.ascontiguousarray(plane)
    return np.lib.stride_tricks.as_strided(plane, (plane.shape[0], stride // item), (stride, item))


def is_packed(planes: Planes) -> bool:
    """Whether a frame is one ``(H, W, 3)`` array rather than separate planes."""
    return len(planes) == 1 and planes[0].ndim == 3


def frame_size(planes: Planes) -> tuple[int, int]:
    """Coded (H, W) of a frame."""
    return planes[0].shape[0], planes[0].shape[1]


def _three_planes(planes: Planes) -> tuple[NDArray, NDArray, NDArray, int]:
    first = whole_lines(planes[0])
    if len(planes) == 1:
        blank = np.zeros((1, 1), planes[0].dtype)
        return first, blank, blank, 1
    return first, whole_lines(planes[1]), whole_lines(planes[2]), planes[1].shape[1]


def decode_linear(decoder: Decoder, planes: Planes, out: FloatArray | None = None) -> FloatArray:
    """Turn one frame's planes into linear light, ``(H, W, 3)`` float32, as coded (not rotated).

    Packed R'G'B' (integers, float16, float32) is looked up code by code; planes go through the table.
    """
    height, width = frame_size(planes)
    if out is None:
        out = np.empty((height, width, 3), np.float32)
    if is_packed(planes):
        return _decode_packed(decoder, planes[0], out)
    first, second, third, chroma_width = _three_planes(planes)
    d = decoder
    kernels.decode_planes(
        first, second, third, width, chroma_width, d.offsets, d.matrix, d.siting, d.table, d.low, d.per_unit,
        d.primaries, out,
    )  # fmt: skip
    return out


def packed_signal(decoder: Decoder, values: NDArray) -> NDArray[np.float64]:
    """Signal of packed code values (float files hold signal already)."""
    if values.dtype.kind == "f" and decoder.encoding.is_float:
        return np.asarray(values, np.float64)
    return (np.asarray(values, np.float64) - float(decoder.offsets[0])) * float(decoder.matrix[0, 0])


def _apply_curve(decoder: Decoder, signal: NDArray) -> FloatArray:
    if decoder.encoding.ocio_space is not None:
        return np.asarray(signal, np.float32)
    return np.asarray(CURVES[decoder.encoding.transfer].decode(signal)).astype(np.float32)


def _decode_packed(decoder: Decoder, pixels: NDArray, out: FloatArray) -> FloatArray:
    if pixels.dtype.kind == "u":
        table = _apply_curve(decoder, packed_signal(decoder, np.arange(2 ** (8 * pixels.itemsize))))
        kernels.decode_packed(np.ascontiguousarray(pixels), table, decoder.primaries, out)
        return out
    linear = pixels
    if decoder.encoding.transfer != "linear":
        linear = _apply_curve(decoder, packed_signal(decoder, pixels))
    if np.array_equal(decoder.primaries, np.eye(3)):
        out[...] = linear
    else:
        np.matmul(linear.astype(np.float32, copy=False), decoder.primaries.T, out=out)
    return out


def decode_signal(decoder: Decoder, planes: Planes) -> FloatArray:
    """Give the R'G'B' signal of one frame, ``(H, W, 3)`` float32, as coded."""
    height, width = frame_size(planes)
    if is_packed(planes):
        return packed_signal(decoder, planes[0]).astype(np.float32)
    first, second, third, chroma_width = _three_planes(planes)
    out = np.empty((height, width, 3), np.float32)
    high = _signal_bounds(decoder.offsets, decoder.matrix, decoder.encoding.bit_depth)[1]
    straight = (decoder.low + np.arange(int(high - decoder.low) + 3)).astype(np.float32)
    kernels.decode_planes(
        first, second, third, width, chroma_width, decoder.offsets, decoder.matrix, decoder.siting, straight,
        decoder.low, np.float32(1), np.eye(3, dtype=np.float32), out,
    )  # fmt: skip
    return out


def find_clipped(decoder: Decoder, planes: Planes) -> NDArray[np.uint8]:
    """Flag pixels at the ceiling: ``(H, W)`` uint8, bit 0/1/2 = R/G/B, judged on the signal."""
    height, width = frame_size(planes)
    if is_packed(planes):
        return decode_proxy(decoder, planes, factor=1).clipped
    first, second, third, chroma_width = _three_planes(planes)
    out = np.empty((height, width), np.uint8)
    kernels.clip_planes(
        first, second, third, width, chroma_width, decoder.offsets, decoder.matrix, decoder.siting,
        decoder.ceiling, out,
    )  # fmt: skip
    return out


@lru_cache(maxsize=64)
def _box_weights(
    boxes: int, factor: int, origin: int, samples: int, layout: tuple[int, float, float]
) -> tuple[NDArray[np.int64], FloatArray]:
    """Weights of chroma samples in the box means of the interpolated chroma, along one axis.

    Returns the first sample of each box and its weights, ``(boxes, taps)``.
    """
    sub, even, odd = layout
    weights = np.zeros((boxes, samples))
    rows = np.repeat(np.arange(boxes), factor)
    place = origin + np.arange(boxes * factor)
    near = np.minimum(place // sub, samples - 1)
    far = near if sub == 1 else np.clip(near + np.where(place % 2, 1, -1), 0, samples - 1)
    share = np.where(place % 2, odd, even) if sub == 2 else np.zeros(len(place))
    np.add.at(weights, (rows, near), (1 - share) / factor)
    np.add.at(weights, (rows, far), share / factor)
    used = weights > 0
    first = used.argmax(axis=1)
    last = samples - 1 - used[:, ::-1].argmax(axis=1)
    taps = int((last - first).max()) + 1
    first = np.minimum(first, samples - taps)
    return first, np.take_along_axis(weights, first[:, None] + np.arange(taps), axis=1).astype(np.float32)


def decode_proxy(
    decoder: Decoder, planes: Planes, *, factor: int, origin: tuple[int, int] = (0, 0)
) -> ProxyFrame:
    """Box-average one frame in code values and turn the means into linear light.

    ``origin`` (row, column) is where the first box begins. ``clipped`` flags boxes that hold at least one
    pixel at the ceiling. ``factor`` 1 equals ``decode_linear`` and ``find_clipped``. Cost: the planes are
    read once; no full-size float picture is made.
    """
    height, width = frame_size(planes)
    rows, columns = (height - origin[0]) // factor, (width - origin[1]) // factor
    rgb = np.empty((rows, columns, 3), np.float32)
    clipped = np.empty((rows, columns), np.uint8)
    if is_packed(planes):
        return _proxy_packed(decoder, planes[0], factor, origin, ProxyFrame(rgb, clipped))
    if factor == 1:
        return ProxyFrame(decode_linear(decoder, planes), find_clipped(decoder, planes))
    first, second, third, chroma_width = _three_planes(planes)
    d = decoder
    sub_x, sub_y = int(d.siting[0]), int(d.siting[3])
    if len(planes) == 1:
        row_starts, row_weights = np.zeros(rows, np.int64), np.ones((rows, 1), np.float32)
        column_starts, column_weights = np.zeros(columns, np.int64), np.ones((columns, 1), np.float32)
    else:
        down = (sub_y, float(d.siting[4]), float(d.siting[5]))
        across = (sub_x, float(d.siting[1]), float(d.siting[2]))
        row_starts, row_weights = _box_weights(rows, factor, origin[0], planes[1].shape[0], down)
        column_starts, column_weights = _box_weights(columns, factor, origin[1], chroma_width, across)
    proxy_kernels.proxy_planes(
        first, second, third, chroma_width, np.array(origin, np.int64), factor, row_starts, row_weights,
        column_starts, np.ascontiguousarray(column_weights.T), d.offsets, d.matrix, d.siting, d.ceiling,
        d.table, d.low, d.per_unit, d.primaries, rgb, clipped,
    )  # fmt: skip
    return ProxyFrame(rgb, clipped)


def _proxy_packed(
    decoder: Decoder, pixels: NDArray, factor: int, origin: tuple[int, int], into: ProxyFrame
) -> ProxyFrame:
    if pixels.dtype == np.float16:  # the compiled loops have no half floats
        pixels = pixels.astype(np.float32)
    ceiling = float(decoder.ceiling)
    if not decoder.encoding.is_float:
        ceiling = ceiling / float(decoder.matrix[0, 0]) + float(decoder.offsets[0])
    elif decoder.encoding.transfer == "linear":
        ceiling = np.inf  # linear files have no ceiling: 1.0 is not a limit
    means = np.empty(into.rgb.shape, np.float64)
    proxy_kernels.box_packed(pixels, np.array(origin, np.int64), factor, ceiling, means, into.clipped)
    if factor == 1:
        _decode_packed(decoder, pixels, into.rgb)
    else:
        linear = _apply_curve(decoder, packed_signal(decoder, means))
        np.matmul(linear, decoder.primaries.T, out=into.rgb)
    return into
