"""How a lamp answers: a filament takes time to glow and to go dark, a diode takes none."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Response", "respond"]

AT_ONCE = 1e-9  # of a cell: a time constant below that answers at once
RUN_IN = 16  # time constants after which less than 2e-7 of where a lamp came from is left


@dataclass(frozen=True, slots=True)
class Response:
    """Time constants in frames: after one of them 63 % of the way is gone. 0 answers at once."""

    rise: float
    fall: float

    @property
    def run_in(self) -> int:
        """Frames before the first one that have to be gone through, so that it does not matter where one begins."""
        return math.ceil(RUN_IN * max(self.rise, self.fall))


def respond(
    values: NDArray[np.float64], widths: NDArray[np.float64], state: float, response: Response
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Answer a drive that is constant within each of a row of cells.

    ``values``: the drive, ``(n,)``, >= 0. ``widths``: of the cells, ``(n,)``, frames, above 0. ``state``: the light
    before the first. Returns the light's mean over each cell and its level at each cell's end, both ``(n,)``.

    Notes
    -----
    y' = (x - y) / tau, with tau the rise where x > y and the fall where x < y. Within a cell y never passes x, so the
    closed form y(t) = x + (y0 - x) exp(-t / tau) is exact, and so is its mean.
    """
    up, down = _cell_factors(widths, response.rise), _cell_factors(widths, response.fall)
    means, ends = np.empty(len(values)), np.empty(len(values))
    for k, value in enumerate(values.tolist()):
        left, mean_left = (up if value > state else down)[k]
        means[k] = value + (state - value) * mean_left
        state = value + (state - value) * left
        ends[k] = state
    return means, ends


def _cell_factors(widths: NDArray[np.float64], constant: float) -> list[tuple[float, float]]:
    """Return for each cell which share of the way is left at its end, and in the mean over it."""
    if constant <= AT_ONCE * float(widths.min()):
        return [(0.0, 0.0)] * len(widths)
    steps = widths / constant
    return list(zip(np.exp(-steps).tolist(), (-np.expm1(-steps) / steps).tolist(), strict=True))
