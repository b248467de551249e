"""Pixels of the sensor that glow by themselves, found and repaired.

A maximum keeps the brightest reading of every frame, so a pixel that reads too high in all of them would
stand in the plate as a dot. What tells it from a small bright thing in the set: it stands out by the same
amount whether the lamp shines on it or not, and it is smaller than any lens can draw.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop, run_bands
from lightstack.records import BoolArray, NoiseModel

__all__ = ["HotTally", "find_hot_pixels", "repair_pixels"]

HOT_SIGMA = 8.0  # an average of frames: its own noise is far below this
HOT_RATIO = 1.5  # and this much brighter than the brightest around it
STILL_SIGMA = 4.0  # in one still
STILL_SHARE = 0.9  # of the stills

_RING = np.ones((5, 5), np.uint8)
_RING[1:4, 1:4] = 0  # the 16 pixels two steps away: one hot pixel of a sensor spreads to 3 x 3 by demosaicing


def find_hot_pixels(ambient: NDArray, *, noise: NoiseModel) -> BoolArray:
    """Find pixels that glow in the ambient.

    ``ambient``: ``(H, W, 3)`` float32 linear, averaged over frames. ``noise``: of one frame. A pixel is hot
    where any channel stands above all 16 pixels around its 3 x 3 neighbourhood by 8 sigma of one frame and
    by half as much again, and no neighbour stands higher. Returns ``(H, W)`` bool.

    Notes: a lit lamp bulb or a star of light wider than 3 px has neighbours as bright as itself two steps
    away, and stays. A single bright speck on a dark wall may be taken for hot and is repaired too.
    """
    picture = np.ascontiguousarray(ambient, np.float32)
    height, width = picture.shape[:2]
    rows, columns = (_reflect(side) for side in (height, width))
    hot = np.zeros((height, width), bool)
    a, b = np.asarray(noise.a, np.float64), np.asarray(noise.b, np.float64)
    sigmas, ratio = np.float32(HOT_SIGMA), np.float32(HOT_RATIO)
    run_bands(_mark_summits, height, width * 3, picture, rows, columns, a, b, sigmas, ratio, hot)
    return hot


def _reflect(side: int) -> NDArray[np.int64]:
    """Give for places -2 .. side + 1 the place in 0 .. side - 1 that stands for them: edges are mirrored."""
    place = np.arange(-2, side + 2) % (2 * side)
    return np.asarray(np.minimum(place, 2 * side - 1 - place))


@compile_loop()
def _mark_summits(first_row, last_row, picture, rows, columns, a, b, sigmas, ratio, hot):  # type: ignore[no-untyped-def]
    """Mark in rows of ``hot`` what ``find_hot_pixels`` looks for; most pixels are ruled out by one neighbour."""
    width = picture.shape[1]
    for y in range(first_row, last_row):
        for x in range(width):
            for c in range(3):
                value = picture[y, x, c]
                if value < picture[y, columns[x + 1], c] or value < picture[y, columns[x + 3], c]:
                    continue
                highest, around = value, np.float32(-np.inf)
                for j in range(5):
                    row = rows[y + j]
                    for i in range(5):
                        other = picture[row, columns[x + i], c]
                        if 0 < j < 4 and 0 < i < 4:
                            highest = max(highest, other)
                        else:
                            around = max(around, other)
                    if highest > value:
                        break
                if highest > value or not value > ratio * around:
                    continue
                level = max(np.float64(around), 0.0)
                sigma = np.float32(np.sqrt(max(level * a[c] + b[c], 1e-16)))
                if value - around > sigmas * sigma:
                    hot[y, x] = True


def _find_largest(picture: NDArray, where: NDArray) -> NDArray[np.float32]:
    return np.asarray(cv2.dilate(picture, where, borderType=cv2.BORDER_REFLECT), np.float32)


class HotTally:
    """Finds pixels that stand out in nearly every lamp still, one still at a time.

    ``add`` the stills of different lamp places; ``result`` is ``(H, W)`` bool.
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self._outlier = np.zeros(shape, np.uint16)
        self._seen = np.zeros(shape, np.uint16)
        self._least = np.full(shape, np.inf, np.float32)
        self._most = np.full(shape, -np.inf, np.float32)

    def add(
        self, light: NDArray, ambient: NDArray, *, noise: NoiseModel, valid: NDArray | None = None
    ) -> None:
        """Take one still in. ``light``, ``ambient``: ``(H, W, 3)`` linear. ``valid``: ``(H, W)`` 0..1."""
        usable = np.ones(self._seen.shape, bool) if valid is None else np.asarray(valid) > 0
        picture = np.ascontiguousarray(light, np.float32)
        around = _find_largest(picture, _RING)
        sigma = noise.sigma(np.maximum(ambient, 0) + np.maximum(around, 0))
        excess = ((picture - around) / sigma).max(axis=2)
        self._seen += usable
        self._outlier += usable & (excess > STILL_SIGMA)
        above = (picture - cv2.blur(picture, (5, 5))).max(axis=2)
        self._least = np.where(usable, np.minimum(self._least, above), self._least)
        self._most = np.where(usable, np.maximum(self._most, above), self._most)

    def result(self) -> BoolArray:
        """Say which pixels stand out in at least 9 of 10 stills, by much the same amount in all of them."""
        often = (self._seen >= 3) & (self._outlier >= STILL_SHARE * self._seen)
        steady = self._least > self._most / 3
        return np.asarray(often & steady)


def repair_pixels(picture: NDArray, hot: BoolArray) -> NDArray[np.float32]:
    """Replace hot pixels, and what they spread to, by the median of the ring around.

    ``picture``: ``(H, W, 3)`` float32. ``hot``: ``(H, W)`` bool. Returns a copy; where no pixel is hot, the
    picture itself. A pixel beside a hot one is replaced only where it stands above the whole ring.
    """
    rows, columns = np.nonzero(hot)
    if not len(rows):
        return np.asarray(picture, np.float32)
    height, width = hot.shape
    repaired = np.array(picture, np.float32)
    for y, x in zip(rows.tolist(), columns.tolist(), strict=True):
        ring = _read_ring(picture, y, x)
        if not len(ring):
            continue
        level, limit = np.median(ring, axis=0), ring.max(axis=0)
        block = repaired[max(y - 1, 0) : min(y + 2, height), max(x - 1, 0) : min(x + 2, width)]
        np.copyto(block, level, where=block > limit)
        repaired[y, x] = level
    return repaired


def _read_ring(picture: NDArray, y: int, x: int) -> NDArray:
    """Give the pixels two steps away that lie in the picture, ``(n, 3)``."""
    height, width = picture.shape[:2]
    places = np.argwhere(_RING) - 2 + (y, x)
    inside = (places >= 0).all(axis=1) & (places < (height, width)).all(axis=1)
    return picture[places[inside, 0], places[inside, 1]]
