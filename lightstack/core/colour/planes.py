"""Coded planes <-> linear light: range, chroma position, matrix, curve and primaries in one pass.

A *signal* is R'G'B' on the scale where 1.0 is the reference white code; a *code* is the integer in the
file. Chroma is interpolated linearly between its samples, which lie where ``chroma_location`` says; the
picture's edge repeats. Nothing is clipped on the way in: signals below 0 and above 1 keep their meaning.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour import kernels, proxy_kernels
from lightstack.core.colour.decoder import Decoder, signal_bounds
from lightstack.core.colour.measured import curve_of
from lightstack.core.compiled import run_bands
from lightstack.errors import SettingError

__all__ = [
    "ProxyFrame",
    "decode_band",
    "decode_linear",
    "decode_proxy",
    "decode_signal",
    "find_clipped",
    "frame_size",
    "is_packed",
    "sum_linear",
    "whole_lines",
]

FloatArray = NDArray[np.float32]
Planes = Sequence[NDArray]


class ProxyFrame(NamedTuple):
    """A box-averaged frame: ``rgb`` ``(h, w, 3)`` float32 linear; ``clipped`` ``(h, w)`` uint8 bits R/G/B."""

    rgb: FloatArray
    clipped: NDArray[np.uint8]


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
    run_bands(
        kernels.decode_planes, height, width, first, second, third, width, chroma_width, d.offsets,
        d.matrix, d.siting, d.table, d.low, d.per_unit,
        d.primaries, out,
    )  # fmt: skip
    return out


def decode_band(decoder: Decoder, planes: Planes, first: int, last: int, out: FloatArray) -> FloatArray:
    """Turn rows ``first`` to ``last`` (excluded) of a frame of planes into linear light, ``out`` (rows, W, 3).

    The bytes are those of ``decode_linear``; runs in the caller's thread alone.
    """
    one, two, three, chroma_width = _three_planes(planes)
    d = decoder
    kernels.decode_rows(
        first, last, one, two, three, planes[0].shape[1], chroma_width, d.offsets, d.matrix, d.siting,
        d.table, d.low, d.per_unit, d.primaries, out,
    )  # fmt: skip
    return out


def sum_linear(decoder: Decoder, planes: Planes, total: NDArray[np.float64]) -> None:
    """Add the linear light of a frame of planes to ``total`` ``(H, W, 3)`` float64, without a picture of it."""
    height, width = frame_size(planes)
    first, second, third, chroma_width = _three_planes(planes)
    d = decoder
    run_bands(
        kernels.sum_rows, height, width, first, second, third, width, chroma_width, d.offsets, d.matrix,
        d.siting, d.table, d.low, d.per_unit, d.primaries, total,
    )  # fmt: skip


def packed_signal(decoder: Decoder, values: NDArray) -> NDArray[np.float64]:
    """Signal of packed code values (float files hold signal already)."""
    if values.dtype.kind == "f" and decoder.encoding.is_float:
        return np.asarray(values, np.float64)
    return (np.asarray(values, np.float64) - float(decoder.offsets[0])) * float(decoder.matrix[0, 0])


def _apply_curve(decoder: Decoder, signal: NDArray) -> FloatArray:
    if decoder.encoding.ocio_space is not None:
        return np.asarray(signal, np.float32)
    return np.asarray(curve_of(decoder.encoding).decode(signal)).astype(np.float32)


def _decode_packed(decoder: Decoder, pixels: NDArray, out: FloatArray) -> FloatArray:
    if pixels.dtype.kind == "u":
        codes = np.arange(2 ** (8 * pixels.itemsize))  # 10 bits in 16: log curves overflow far beyond their codes
        codes = np.minimum(codes, 2**decoder.encoding.bit_depth - 1)
        table = _apply_curve(decoder, packed_signal(decoder, codes))
        packed = np.ascontiguousarray(pixels)
        run_bands(kernels.decode_packed, *out.shape[:2], packed, table, decoder.primaries, out)
        return out
    linear = pixels
    if decoder.encoding.transfer != "linear" or decoder.encoding.response is not None:
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
    high = signal_bounds(decoder.offsets, decoder.matrix, decoder.encoding.bit_depth)[1]
    straight = (decoder.low + np.arange(int(high - decoder.low) + 3)).astype(np.float32)
    run_bands(
        kernels.decode_planes, height, width, first, second, third, width, chroma_width, decoder.offsets,
        decoder.matrix, decoder.siting, straight,
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
    run_bands(
        kernels.clip_planes, height, width, first, second, third, width, chroma_width, decoder.offsets,
        decoder.matrix, decoder.siting,
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
    read once; no full-size float picture is made. Raises SettingError where not one box fits.
    """
    height, width = frame_size(planes)
    rows, columns = (height - origin[0]) // factor, (width - origin[1]) // factor
    rgb = np.empty((rows, columns, 3), np.float32)
    clipped = np.empty((rows, columns), np.uint8)
    if rows < 1 or columns < 1:
        raise SettingError(
            f"a picture of {width} x {height} has no box of {factor} x {factor}; use a smaller one"
        )
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
