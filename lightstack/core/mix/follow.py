"""From a measured level to a gain: windows, attack and release, smoothing, and what counts as full."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from lightstack.core.mix.response import Response, respond

__all__ = ["LevelShape", "find_full", "settle_level", "shape_level", "window_rms"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelShape:
    """What becomes of a level whose ``full`` counts as 1: gain * level / full + offset, between floor and ceiling."""

    full: float
    gain: float = 1.0
    offset: float = 0.0
    floor: float = 0.0
    ceiling: float | None = None


def window_rms(power: Floats, counts: Floats, *, step: float, window: float) -> Floats:
    """Return the root mean square in a window around the middle of each step of sound.

    ``power``: sum of squares in each step, ``(n,)``. ``counts``: samples in each, ``(n,)``. ``step``, ``window``:
    lengths in the same unit; of a window that ends within a step, its share of that step counts. Beyond the ends there
    are no samples, and the window is the shorter for it.
    """
    edges = np.arange(len(power) + 1, dtype=np.float64)
    sums, totals = np.concatenate([[0.0], np.cumsum(power)]), np.concatenate([[0.0], np.cumsum(counts)])
    middle, half = edges[:-1] + 0.5, max(window / step, 1e-9) / 2

    def within(running: Floats) -> Floats:
        return np.interp(middle + half, edges, running) - np.interp(middle - half, edges, running)

    return np.sqrt(np.maximum(within(sums), 0.0) / np.maximum(within(totals), 1e-12))


def settle_level(levels: Floats, *, step: float, attack: float, release: float, smoothing: float) -> Floats:
    """Return levels ``(n,)`` after attack and release (time constants) and smoothing (a Gaussian's standard deviation).

    All times in frames, as ``step``, the time from one level to the next. It begins at rest at the first level; beyond
    the ends the last level goes on.
    """
    settled = np.asarray(levels, np.float64)
    if attack or release:
        _, settled = respond(settled, np.full(len(settled), step), float(settled[0]), Response(attack, release))
    if smoothing > 0:
        settled = gaussian_filter1d(settled, smoothing / step, mode="nearest", truncate=5.0)
    return np.asarray(settled, np.float64)


def find_full(places: Floats, levels: Floats, first: float, last: float) -> float:
    """Return the highest level from frame ``first`` to ``last``; ``places`` ``(n,)`` are the levels' frames, rising."""
    ends = np.interp([first, last], places, levels)
    inside = levels[(places >= first) & (places <= last)]
    return float(max(ends.max(), inside.max(initial=ends.max())))


def shape_level(levels: Floats, shape: LevelShape) -> Floats:
    """Return the gains that levels give."""
    gains = shape.gain * levels / shape.full + shape.offset
    return np.clip(gains, shape.floor, np.inf if shape.ceiling is None else shape.ceiling)
