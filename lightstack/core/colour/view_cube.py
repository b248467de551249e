"""A view of linear light as a cube of its signals, for a page that looks it up on a graphics card.

Each axis runs over the logarithm of light (straight below a fiftieth of reference white), so that shadows have as many
points as highlights, and below zero too: what a camera sees outside the cube's primaries is negative there. Black and
reference white lie on points, since views that limit what they show bend there. Between points the signal is
interpolated in the tetrahedron that holds the light, so greys lie on the cube's diagonal and stay grey.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FloatArray

__all__ = ["ViewCube", "bake_view", "look_up_view", "place_on_axis"]

BELOW, ABOVE = 32, 64  # steps of an axis below and above black
LEAST, MOST = -8.0, 64.0  # light of its ends, reference white 1: six stops above it views have long reached their white
BEND = 47.79783176216141  # at which reference white lies on the 31st point above black


@dataclass(frozen=True, slots=True, eq=False)
class ViewCube:
    """``signal`` (n, n, n, 3) float16, indexed by blue, green, red; ``below``: points of an axis below black.

    ``least``, ``most``: light of an axis' ends; ``bend``: light is placed by log(1 + bend x light) on either side.
    """

    signal: NDArray[np.float16]
    below: int
    least: float
    most: float
    bend: float

    @property
    def points(self) -> int:
        """How many there are along each axis."""
        return len(self.signal)


def bake_view(show: Callable[[NDArray[np.float32]], FloatArray], *, below: int = BELOW, above: int = ABOVE) -> ViewCube:
    """Return what ``show`` makes of light, from light (H, W, 3) to signals that are limited to 0..1.

    Notes: about a million colours are shown, some tenths of a second for an elaborate view.
    """
    steps = np.concatenate([np.arange(-below, 0) / max(below, 1), np.arange(above + 1) / above])
    ends = np.where(steps < 0, np.log1p(-BEND * LEAST), np.log1p(BEND * MOST))
    axis = np.sign(steps) * np.expm1(np.abs(steps) * ends) / BEND
    signal = np.empty((len(axis), len(axis), len(axis), 3), np.float16)
    plane = np.empty((len(axis), len(axis), 3), np.float32)
    for k, blue in enumerate(axis):
        plane[..., 0], plane[..., 1], plane[..., 2] = axis[None, :], axis[:, None], blue
        signal[k] = np.clip(np.nan_to_num(show(plane.copy())), 0, 1)
    return ViewCube(signal, below, LEAST, MOST, BEND)


def place_on_axis(cube: ViewCube, light: FloatArray) -> NDArray[np.float64]:
    """Return where light lies between the points of an axis; beyond the ends on the last, no number on black."""
    light = np.clip(np.nan_to_num(np.asarray(light, np.float64)), cube.least, cube.most)
    above = np.log1p(cube.bend * np.maximum(light, 0)) / np.log1p(cube.bend * cube.most)
    under = np.log1p(cube.bend * np.maximum(-light, 0)) / np.log1p(-cube.bend * cube.least)
    return np.asarray(cube.below * (1 - under) + (cube.points - 1 - cube.below) * above)


def look_up_view(cube: ViewCube, light: FloatArray) -> NDArray[np.float32]:
    """Return the signals (H, W, 3) that a cube has for light (H, W, 3)."""
    place = place_on_axis(cube, light).reshape(-1, 3)
    corner = np.minimum(place.astype(np.int64), cube.points - 2)
    share = place - corner
    order = np.argsort(-share, axis=1, kind="stable")  # along the edges, first where there is farthest to go
    steps = np.take_along_axis(share, order, axis=1)
    rows = np.arange(len(place))
    signal = _read(cube, corner) * (1 - steps[:, :1])
    for k in range(3):
        corner[rows, order[:, k]] += 1
        rest = steps[:, k] - (steps[:, k + 1] if k < 2 else 0)
        signal += _read(cube, corner) * rest[:, None]
    return np.asarray(signal.reshape(np.shape(light)), np.float32)


def _read(cube: ViewCube, corner: NDArray[np.int64]) -> NDArray[np.float64]:
    return cube.signal[corner[:, 2], corner[:, 1], corner[:, 0]].astype(np.float64)
