"""A camera's drift over a sweep: read where the lamp does not reach, and not from who walks past there."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray

__all__ = ["complete_drift", "drift_of", "find_brightened"]

LEAST_PIXELS, LEAST_SHARE = 16, 0.002  # that must be bright enough to tell
DISAGREE_STOPS = 0.3  # between quartiles of places; noise alone spreads the dimmest that are judged by 0.24
SAME_STOPS = 0.1  # as far apart, exposure before somebody passed and after is the same
CELL = 5  # pixels on a side, whose means are followed
SURE = 40.0  # of a pixel's sigma: four sigma of a cell's mean are 2 % then
ALIKE = 0.03  # stops, 2 %: as far apart, places share an exposure
HIDDEN_SHARE = 0.3  # of the frames, in which somebody may stand before a place
LOWEST_SHARE, LEAST_AREA = 0.02, 0.005  # of the bright cells; of the picture
OUTSHONE = 1.0  # stops above them that the lamp brings to half of the picture on some frame: it is no dim one
MOST_FRAMES = 96


def find_brightened(
    read: Callable[[int], FloatArray], ambient: FloatArray, off: BoolArray, sigma: FloatArray
) -> BoolArray:
    """Find places that brighten by the exposure alone, (h, w) bool, where it rose so far that none seems unlit.

    ``read``: gives frame k, (h, w, 3). ``ambient``, ``sigma``: (h, w, 3). ``off``: (n,) frames without the lamp.

    Notes: they keep together within 2 % over the whole take, in all three channels, and do not jump when the lamp comes
    on or goes out. A lamp's light differs from place to place, is of another colour than the room's, and jumps.
    """
    nowhere = np.zeros(ambient.shape[:2], bool)
    if min(nowhere.shape) < CELL:
        return nowhere
    base = _shrink(ambient)
    cells = np.flatnonzero((base > SURE * _shrink(sigma)).all(axis=2))
    if off.all() or not off.any() or len(cells) * CELL**2 < LEAST_AREA * nowhere.size:
        return nowhere
    frames = _pick_frames(off)
    floor = np.maximum(base, _shrink(sigma))
    paths, usual = [], 0.0
    for k in frames:
        ratio = np.log2(np.maximum(_shrink(read(k)) / floor, 1e-3))
        usual = max(usual, float(np.median(ratio.max(axis=2))))
        paths.append(ratio.reshape(-1, 3)[cells])
    alike, level = _keep_together(np.stack(paths))
    if len(alike) * CELL**2 < LEAST_AREA * nowhere.size or level.max() < ALIKE:
        return nowhere
    if usual < level.max() + OUTSHONE or _jumps(level, frames, off):
        return nowhere
    found = np.zeros(base.shape[:2], bool)
    found.flat[cells[alike]] = True
    whole = np.kron(found, np.ones((CELL, CELL), bool))
    nowhere[: whole.shape[0], : whole.shape[1]] = whole
    return nowhere


def _shrink(picture: FloatArray) -> NDArray[np.float64]:
    height, width = (side // CELL for side in picture.shape[:2])
    whole = np.asarray(picture[: height * CELL, : width * CELL], np.float32)
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.float64)


def _pick_frames(off: BoolArray) -> list[int]:
    """Frames spread over the take, and the two on either side of every time that the lamp comes on or goes out."""
    spread = np.linspace(0, len(off) - 1, MOST_FRAMES).astype(int)
    switches = np.flatnonzero(np.diff(off.astype(np.int8)))
    few = switches if len(switches) <= MOST_FRAMES // 4 else switches[:0]
    beside = (few[:, None] + np.arange(-1, 3)).ravel()
    return [int(k) for k in np.unique(np.concatenate([spread, beside])) if 0 <= k < len(off)]


def _keep_together(paths: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Cells of ``paths`` (t, m, 3), stops, that share one path, and that path (t,): from those that brighten least."""
    highest = paths.mean(axis=2).max(axis=0)
    kept = np.argsort(highest, kind="stable")[: max(LEAST_PIXELS, round(LOWEST_SHARE * paths.shape[1]))]
    level = np.zeros(len(paths))
    for _ in range(2):
        if len(kept) == 0:
            break
        level = np.median(np.quantile(paths[:, kept], 0.7, axis=1), axis=1)  # somebody may hide some of them
        apart = paths - level[:, None, None]
        hidden = (apart.min(axis=2) < -2 * ALIKE) | (level < -2 * ALIKE)[:, None]
        alike = (np.abs(apart) < ALIKE).all(axis=2) | hidden
        kept = np.flatnonzero(alike.all(axis=0) & (hidden.mean(axis=0) < HIDDEN_SHARE))
    return kept, level


def _jumps(level: NDArray[np.float64], frames: list[int], off: BoolArray) -> bool:
    """Whether a path jumps where the lamp comes on or goes out."""
    switch = np.flatnonzero(np.diff(off[frames].astype(np.int8)) & (np.diff(frames) == 1))
    return len(switch) == 0 or bool(np.abs(level[switch + 1] - level[switch]).max() > ALIKE)


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
