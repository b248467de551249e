"""A camera's drift over a sweep: read where the lamp does not reach, and not from who walks past there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray

__all__ = ["complete_drift", "drift_of"]

LEAST_PIXELS, LEAST_SHARE = 16, 0.002  # that must be bright enough to tell
DISAGREE_STOPS = 0.3  # between quartiles of places; noise alone spreads the dimmest that are judged by 0.24
SAME_STOPS = 0.1  # as far apart, exposure before somebody passed and after is the same


def drift_of(frame: FloatArray, ambient: FloatArray, where: BoolArray) -> NDArray[np.float64]:
    """Median log2 ratio of light (h, w, 3) per channel over ``where`` (h, w, 3), (3,) stops.

    NaN with fewer than 0.2 % of the pixels; infinite, not to be believed, where the pixels disagree.

    Notes: a camera's exposure changes all places alike; somebody who stands before a window hides some of its panes.
    """
    drift = np.full(3, np.nan)
    for c in range(3):
        mask = where[..., c]
        if mask.sum() < max(LEAST_PIXELS, LEAST_SHARE * mask.size):
            continue
        low, middle, high = np.quantile(frame[..., c][mask] / ambient[..., c][mask], (0.25, 0.5, 0.75))
        if low <= 0 or high > low * 2**DISAGREE_STOPS:
            drift[c] = np.inf
        else:
            drift[c] = np.log2(middle)
    return drift


def complete_drift(drift: NDArray[np.float64]) -> NDArray[np.float64]:
    """Interpolate drift (n, 3) stops over frames that say nothing: NaN, or infinite where places disagree; 0 where
    none does.

    Notes: a level that is reached and left again only by frames in which places disagree is somebody's who stood
    before all of them, and does not count either.
    """
    out = np.zeros_like(drift)
    frames = np.arange(len(drift))
    for c in range(drift.shape[1]):
        known = np.isfinite(drift[:, c]) & ~_find_hidden(drift[:, c])
        if known.any():
            out[:, c] = np.interp(frames, frames[known], drift[known, c])
    return out


def _find_hidden(path: NDArray[np.float64]) -> BoolArray:
    """Frames between two spells of disagreement (n,) whose level differs from that before and after, which agree."""
    hidden = np.zeros(len(path), bool)
    said = np.flatnonzero(~np.isnan(path))
    runs = np.split(said, np.flatnonzero(np.diff(np.isinf(path[said]))) + 1)
    levels = [run for run in runs if len(run) and np.isfinite(path[run[0]])]
    before = 0
    for now in range(1, len(levels) - 1):
        run, usual = levels[now], path[levels[before][-1]]
        back = any(abs(path[later[0]] - usual) <= SAME_STOPS for later in levels[now + 1 :])
        if back and abs(np.median(path[run]) - usual) > SAME_STOPS:
            hidden[run] = True
        else:
            before = now
    return hidden
