"""Where a path of poses jumps: bumps, sags, and frames that fit nowhere.

A path is ``(n, p)``: one fitted move per frame, in pixels. The lamp pulls single fits a little to and fro
as it walks, so a path wanders by itself; a change counts only when the frames on both sides of it differ
by more than that wandering and their own scatter explain.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray

__all__ = ["batch_variance", "find_strays", "partition_path", "path_noise"]


def path_noise(path: FloatArray) -> NDArray[np.float64]:
    """Return the frame-to-frame noise of a path, ``(p,)`` pixels, deaf to jumps and slow wandering."""
    if len(path) < 3:
        return np.full(path.shape[1], 1e-3)
    return np.maximum(1.4826 * np.median(np.abs(np.diff(path, axis=0)), 0) / np.sqrt(2), 1e-4)


def find_strays(path: FloatArray, *, reach: int = 4, sigmas: float = 6.0, least_px: float = 0.0) -> BoolArray:
    """Find single frames (at most two in a row) far from the median of their neighbours, ``(n,)`` bool."""
    count = len(path)
    noise = path_noise(path)
    stray = np.zeros(count, bool)
    for k in range(count):
        near = np.r_[path[max(k - reach, 0) : k], path[k + 1 : k + 1 + reach]]
        if len(near) < 4:
            continue
        before, after = path[max(k - reach, 0) : k], path[k + 1 : k + 1 + reach]
        # At a jump a frame agrees with one side; a stray frame agrees with neither.
        sides = [np.median(side, 0) for side in (before, after) if len(side) >= 2]
        gaps = [np.max(np.abs(path[k] - side) / noise) for side in sides]
        away = [np.max(np.abs(path[k] - side)) for side in sides]
        stray[k] = min(gaps) > sigmas and min(away) > least_px
    return stray


def partition_path(
    path: FloatArray, *, scale: FloatArray, penalty: float = 30.0, shortest: int = 3
) -> list[tuple[int, int]]:
    """Cut a path into runs of constant pose, the exact optimum of squared error plus a price per run.

    ``path``: ``(n, p)``. ``scale``: ``(n, p)`` or ``(p,)``, standard deviation of each entry. ``shortest``:
    frames per run. Returns half-open index pairs that cover 0..n.

    Notes: cost O(n^2 p) in time, O(n p) in memory. The price is high enough for white noise never to cut.

    References: Jackson et al. 2005, "An algorithm for optimal partitioning of data on an interval",
    IEEE Signal Processing Letters 12(2):105, eq. 3.
    """
    count = len(path)
    if count < 2 * shortest:
        return [(0, count)]
    weight = np.broadcast_to(1 / np.asarray(scale, np.float64) ** 2, path.shape)
    sums = np.pad(np.cumsum(weight, 0), ((1, 0), (0, 0)))
    firsts = np.pad(np.cumsum(weight * path, 0), ((1, 0), (0, 0)))
    seconds = np.pad(np.cumsum(weight * path**2, 0), ((1, 0), (0, 0)))
    best = np.full(count + 1, np.inf)
    best[0] = -penalty
    origin = np.zeros(count + 1, np.int64)
    for end in range(shortest, count + 1):
        start = np.arange(end - shortest + 1)
        spent = seconds[end] - seconds[start] - (firsts[end] - firsts[start]) ** 2 / (sums[end] - sums[start])
        total = best[start] + spent.sum(1) + penalty
        origin[end] = int(np.argmin(total))
        best[end] = total[origin[end]]
    runs = []
    end = count
    while end > 0:
        runs.append((int(origin[end]), end))
        end = int(origin[end])
    return runs[::-1]


def batch_variance(path: FloatArray) -> NDArray[np.float64]:
    """Return the variance of a path's mean, ``(p,)``, by batch means, so that slow wandering counts in full.

    References: Alexopoulos and Seila 1998, in Banks (ed.), Handbook of Simulation, section 7.3.1.
    """
    count = min(8, len(path) // 3)
    if count < 3:
        return np.var(path, axis=0, ddof=1) if len(path) > 1 else np.full(path.shape[1], 0.01)
    means = np.array([np.mean(part, 0) for part in np.array_split(path, count)])
    return np.asarray(np.var(means, axis=0, ddof=1) / count)
