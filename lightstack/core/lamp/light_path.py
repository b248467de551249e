"""Where a light that travels is on every frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

__all__ = ["PATH_SHAPES", "add_nearness", "walk_path"]

PATH_SHAPES = ("hold", "linear", "smooth")
NEIGHBOURS = 4  # places of the lamp that say how near the light is
LEAST_APART_PX = 1.0


def walk_path(
    at: NDArray[np.float64], places: NDArray[np.float64], frames: NDArray[np.float64], *, shape: str
) -> NDArray[np.float64]:
    """Return places (F, d) on ``frames`` (F,) of a path through ``places`` (n, d) at frames ``at`` (n,), rising.

    ``shape``: "hold" jumps at every point, "linear" goes straight at an even pace, "smooth" slows down where the path
    turns and never swings past a point. Before the first point and after the last the light stays there.

    References: Fritsch and Butland 1984, "A method for constructing local monotone piecewise cubic interpolants", SIAM
    J. Sci. Stat. Comput. 5(2), as scipy builds it.
    """
    inside = np.clip(frames, at[0], at[-1])
    if shape == "hold" or len(at) == 1:
        return np.asarray(places[np.searchsorted(at, inside, side="right") - 1])
    if shape == "smooth":
        return np.asarray(PchipInterpolator(at, places, axis=0)(inside))
    return np.stack([np.interp(inside, at, column) for column in places.T], axis=1)


def add_nearness(places: NDArray[np.float64], visited: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return places (n, 3): x, y and how near the lamp was where it came closest to them in the picture.

    ``places`` (n, 2) pixels; ``visited`` (K, 3): x, y, near of the lamp's own places. The mean of the four closest,
    weighed by 1 / distance, so that a path between two of them goes from one's depth to the other's.
    """
    apart = np.linalg.norm(places[:, None] - visited[None, :, :2], axis=2)
    closest = np.argsort(apart, axis=1)[:, :NEIGHBOURS]
    share = 1 / np.maximum(np.take_along_axis(apart, closest, axis=1), LEAST_APART_PX)
    near = (share * visited[closest, 2]).sum(axis=1) / share.sum(axis=1)
    return np.column_stack([places, near])
