"""The pixels of an edge band as a list, so that arithmetic is done there and nowhere else.

A band is a few percent of a picture. Its pixels are numbered row by row; whatever belongs to them lies in arrays of
that length. Neighbours are found by walking along two rows at once.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.half import HALF_VALUES
from lightstack.core.matte.over_time import LEAST_ERROR, MOVED, STILL
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["FIGURE", "SET", "Band", "average_band", "list_band", "pick", "sample"]

SIDE = 2  # pixels on either side that tell with it whether a pixel is still
SET, FIGURE = -1, -2  # neighbours that lie outside a band
Ints = NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """``rows`` and ``columns`` (n,) of its pixels, row by row; ``beside`` (n, 4) the numbers of those left, right,
    above and below, or `SET` or `FIGURE`."""

    rows: Ints
    columns: Ints
    beside: Ints

    def __len__(self) -> int:
        return len(self.rows)


def list_band(band: BoolArray, sure: BoolArray) -> Band:
    """List a band (h, w) bool; ``sure`` (h, w): where the figure is, beside it. Beyond the picture's border lies what
    the pixel itself is: its own number stands there."""
    rows, columns = _list_pixels(band)
    beside = np.empty((len(rows), 4), np.int32)
    _link_pixels(rows, columns, _row_starts(rows, band.shape[0]), sure.view(np.uint8), beside)
    return Band(rows, columns, beside)


def _list_pixels(mask: BoolArray) -> tuple[Ints, Ints]:
    found = cv2.findNonZero(mask.view(np.uint8))
    if found is None:
        return np.empty(0, np.int32), np.empty(0, np.int32)
    pairs = found.reshape(-1, 2)
    return np.ascontiguousarray(pairs[:, 1]), np.ascontiguousarray(pairs[:, 0])


def _row_starts(rows: Ints, height: int) -> NDArray[np.intp]:
    return np.searchsorted(rows, np.arange(height + 1))


@compile_loop()
def _link_pixels(rows, columns, starts, sure, beside):
    height, width = sure.shape
    for y in range(height):
        above, below = starts[max(y - 1, 0)], starts[min(y + 1, height)]
        for i in range(starts[y], starts[y + 1]):
            x = columns[i]
            beside[i, 0] = beside[i, 1] = beside[i, 2] = beside[i, 3] = i
            if x > 0:
                known = i > starts[y] and columns[i - 1] == x - 1
                beside[i, 0] = i - 1 if known else (FIGURE if sure[y, x - 1] else SET)
            if x + 1 < width:
                known = i + 1 < starts[y + 1] and columns[i + 1] == x + 1
                beside[i, 1] = i + 1 if known else (FIGURE if sure[y, x + 1] else SET)
            if y > 0:
                while above < starts[y] and columns[above] < x:
                    above += 1
                known = above < starts[y] and columns[above] == x
                beside[i, 2] = above if known else (FIGURE if sure[y - 1, x] else SET)
            if y + 1 < height:
                while below < starts[y + 2] and columns[below] < x:
                    below += 1
                known = below < starts[y + 2] and columns[below] == x
                beside[i, 3] = below if known else (FIGURE if sure[y + 1, x] else SET)


def pick(picture: NDArray, rows: Ints, columns: Ints) -> NDArray[np.float32]:
    """Return a picture's pixels, (n, c) float32; half floats are widened only there."""
    values = picture[rows, columns]
    return HALF_VALUES[values.view(np.uint16)] if values.dtype == np.float16 else np.asarray(values, np.float32)


def sample(
    small: NDArray[np.float32], rows: Ints, columns: Ints, scale: tuple[int, int]
) -> NDArray[np.float32]:
    """Interpolate a smaller picture ``(h, w, c)`` linearly at pixels of one ``scale`` times as large, (n, c)."""
    out = np.empty((len(rows), small.shape[2]), np.float32)
    _sample_loop(np.ascontiguousarray(small, np.float32), rows, columns, *(np.float32(1 / s) for s in scale), out)
    return out


@compile_loop()
def _sample_loop(small, rows, columns, step_y, step_x, out):
    height, width, count = small.shape
    half = np.float32(0.5)
    for i in range(len(rows)):
        y = min(max((np.float32(rows[i]) + half) * step_y - half, np.float32(0)), np.float32(height - 1))
        x = min(max((np.float32(columns[i]) + half) * step_x - half, np.float32(0)), np.float32(width - 1))
        top, left = int(y), int(x)
        low, right = min(top + 1, height - 1), min(left + 1, width - 1)
        v, u = y - np.float32(top), x - np.float32(left)
        for c in range(count):
            one = small[top, left, c] + u * (small[top, right, c] - small[top, left, c])
            two = small[low, left, c] + u * (small[low, right, c] - small[low, left, c])
            out[i, c] = one + v * (two - one)


def average_band(
    window: Sequence[FloatArray], centre: int, noise: NoiseModel, band: Band, *, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Average a frame with its neighbours where they show the same, in the band only.

    ``window``: consecutive frames ``(h, w, 3)``, float32 or half; ``shape``: (h, w). Returns the mean (n, 3) and the
    share of one frame's noise variance that is left (n,), as ``matte_time.average_still`` does for whole pictures.
    """
    near = np.zeros(shape, np.uint8)
    near[band.rows, band.columns] = 1
    wide = cv2.dilate(near, np.ones((2 * SIDE + 1,) * 2, np.uint8)).view(bool)
    rows, columns = _list_pixels(wide)
    lines = np.empty((len(band), 2 * SIDE + 1), np.int32)
    _find_lines(band.rows, band.columns, columns, _row_starts(rows, shape[0]), lines)
    own = pick(window[centre], rows, columns)
    total, mass, square = own[lines[:, SIDE]], np.ones(len(band), np.float32), np.ones(len(band), np.float32)
    change, across = np.empty((2, len(rows)), np.float32)
    slope, offset = np.asarray(noise.a, np.float32), np.asarray(noise.b, np.float32)
    for k, frame in enumerate(window):
        if k != centre:
            other = pick(frame, rows, columns)
            _compare_pixels(own, other, slope, offset, change)
            _sum_across(change, columns, shape[1], across)
            _add_still(other, across, lines, total, mass, square)
    return total / mass[:, None], square / mass**2


@compile_loop()
def _find_lines(rows, columns, wide_columns, starts, lines):
    """Numbers, in the widened list, of the pixels two rows above to two rows below; a border's row stands for those
    beyond it."""
    height = len(starts) - 1
    for step in range(-SIDE, SIDE + 1):
        before, at = -1, 0
        for i in range(len(rows)):
            y = min(max(rows[i] + step, 0), height - 1)
            if rows[i] != before:
                at, before = starts[y], rows[i]
            while wide_columns[at] < columns[i]:
                at += 1
            lines[i, step + SIDE] = at


@compile_loop()
def _compare_pixels(own, other, slope, offset, change):
    least = np.float32(LEAST_ERROR * LEAST_ERROR)
    for i in range(len(change)):
        total = np.float32(0)
        for c in range(3):
            level = np.float32(0.5) * (own[i, c] + other[i, c])
            noisy = max(max(level, np.float32(0)) * slope[c] + offset[c], np.float32(1e-16))
            step = own[i, c] - other[i, c]
            total += step * step / (np.float32(2) * noisy + least * level * level)
        change[i] = total / np.float32(3)


@compile_loop()
def _sum_across(change, columns, width, across):
    """Sum along rows where the list has all neighbours; elsewhere the sum is never read."""
    count = len(change)
    for i in range(count):
        total = np.float32(0)
        for step in range(-SIDE, SIDE + 1):
            at = i + min(max(columns[i] + step, 0), width - 1) - columns[i]
            total += change[min(max(at, 0), count - 1)]
        across[i] = total


@compile_loop()
def _add_still(other, across, lines, total, mass, square):
    cells = np.float32((2 * SIDE + 1) ** 2)
    for i in range(len(mass)):
        box = np.float32(0)
        for n in range(2 * SIDE + 1):
            box += across[lines[i, n]]
        weight = (np.float32(MOVED) - box / cells) / np.float32(MOVED - STILL)
        weight = min(max(weight, np.float32(0)), np.float32(1))
        for c in range(3):
            total[i, c] += weight * other[lines[i, SIDE], c]
        mass[i] += weight
        square[i] += weight * weight
