"""The grid of a codec's blocks in a picture: how strongly it shows, and what only looks like one.

References
----------
Wang, Bovik, Evans, Blind measurement of blocking artifacts in images, ICIP 2000: the grid of blocks as a periodic
excess of the differences between neighbouring pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["BlockGrid", "find_grid", "measure_blockiness", "measure_step"]

GRIDS = (8, 16)
STEEPEST = 0.9  # quantile of the steps between blocks, from which on a codec would spend bits on what is inside them
FLAT = 0.2  # of those steps: enlarged pixels hold less inside, blocks of a codec 0.3 and more, mostly 0.8 and more
HALF_LINES = 0.5  # of the grid's excess, from which on the lines half-way count as lines too


@dataclass(frozen=True, slots=True)
class BlockGrid:
    """The strongest grid of a take: ``side`` of a block in pixels, ``excess`` of the differences across it and its
    standard ``error`` (NaN not known); ``enlarged``: the blocks are single pixels of a smaller picture; ``step``: the
    excess in the planes' own codes."""

    side: int
    excess: float
    error: float
    enlarged: bool
    step: float = 0.0


def find_grid(planes: Sequence[NDArray]) -> BlockGrid:
    """Find the strongest grid in a few full-size luma planes (H, W) in code values."""
    best = BlockGrid(GRIDS[0], float("nan"), 0.0, False)
    for grid in GRIDS if planes else ():
        block, error = measure_blockiness(planes, grid=grid)
        if np.isfinite(block) and not block <= 1.15 * best.excess:  # a grid of 8 shows as one of 16 too
            best = BlockGrid(grid, block, error, False)
    if not np.isfinite(best.excess):
        return best
    flat = np.median([measure_inside(plane, best.side) for plane in planes]) < FLAT
    return BlockGrid(best.side, best.excess, best.error, bool(flat), measure_step(planes, best.side))


def measure_step(planes: Sequence[NDArray], grid: int) -> float:
    """Return by how many codes neighbouring pixels differ more across a grid of blocks than beside it, in the mean.

    Notes: nothing is limited here: where blocks are all but flat, the few steps between them are all there is.
    """
    found = []
    for plane in planes:
        picture = np.asarray(plane, np.float32)
        for lines in (picture, picture.T):
            steps = np.abs(np.diff(lines, axis=1))
            count = steps.shape[1] // grid
            profile = steps[:, : count * grid].reshape(-1, grid).mean(axis=0) if count else np.zeros(grid)
            found.append(profile - np.median(profile))
    return float(np.max(np.mean(found, axis=0)))


def _limit_of(steps: NDArray[np.float32]) -> float:
    """Past this a difference of neighbouring pixels is an edge of the scene."""
    return 4 * float(np.median(steps)) + 1.0


def measure_inside(plane: NDArray, grid: int) -> float:
    """Return how much the blocks of a grid hold inside, as a share of the steps between them where those are largest;
    infinite where there are no steps.

    Notes: a codec that cannot afford the steps between two blocks still codes slopes and edges inside them; a small
    picture's pixels, enlarged, are as flat beside the largest steps as anywhere.
    """
    picture = np.asarray(plane, np.float32)
    strips = [_grid_excess(lines, grid) for lines in (picture.T, picture)]
    if not all(len(part) for part in strips):
        return float("inf")
    profiles = [np.median(part, axis=0) for part in strips]
    side, half = grid, grid // 2
    starts = [int(np.argmax(profile)) for profile in profiles]
    if all(p[(at + half) % grid] > HALF_LINES * p[at] for p, at in zip(profiles, starts, strict=True)):
        side = half  # enlarged by half as much
    # the profile begins with the step from the second pixel to the third
    y, x = ((at + 2) % side for at in starts)
    rows, columns = ((length - first) // side for length, first in zip(picture.shape, (y, x), strict=True))
    if min(rows, columns) < 4:
        return float("inf")
    blocks = picture[y : y + rows * side, x : x + columns * side].reshape(rows, side, columns, side)
    means, middle = blocks.mean(axis=(1, 3)), side // 2
    across = blocks[..., :middle].mean(axis=(1, 3)) - blocks[..., middle:].mean(axis=(1, 3))
    down = blocks[:, :middle].mean(axis=(1, 3)) - blocks[:, middle:].mean(axis=(1, 3))
    inside = np.hypot(across, down)[1:-1, 1:-1]
    steps = np.mean([np.abs(means - np.roll(means, by, axis)) for by in (1, -1) for axis in (0, 1)], axis=0)[1:-1, 1:-1]
    steepest = steps >= np.quantile(steps, STEEPEST)
    whole = float(steps[steepest].mean())
    return float(inside[steepest].mean()) / whole if whole > 0 else float("inf")


def measure_blockiness(planes: Sequence[NDArray], *, grid: int = 8) -> tuple[float, float]:
    """By how much neighbouring pixels differ more across a grid of blocks than beside it, and the standard error.

    Parameters
    ----------
    planes : a few full-size luma planes (H, W) in code values.
    grid : side of a block in pixels.

    Returns 0 where the grid does not show; 1 where differences across it are twice those beside it.

    Notes: the grid may begin anywhere. Differences are limited, so that edges of the scene do not outvote walls; the
    error comes from the scatter over strips of the picture.
    """
    scores = []
    for plane in planes:
        picture = np.asarray(plane, np.float32)
        for lines in (picture, picture.T):
            scores.append(_grid_excess(lines, grid))
    strips = (
        np.concatenate([s for s in scores if s.size], axis=0) if any(s.size for s in scores) else np.zeros((0, grid))
    )
    if len(strips) < 4:
        return float("nan"), float("nan")
    whole = np.median(strips, axis=0)
    at = int(np.argmax(whole))
    error = 1.2533 * float(np.std(strips[:, at], ddof=1)) / np.sqrt(len(strips))
    return float(whole[at]), error


def _grid_excess(picture: NDArray[np.float32], grid: int, strips: int = 24) -> NDArray[np.float64]:
    """Excess of each grid phase over the mean of the other phases, (strips, grid)."""
    h, w = picture.shape
    count = (w - 3) // grid
    if count < 4 or h < strips:
        return np.zeros((0, grid))
    steps = np.abs(np.diff(picture, axis=1))
    # a step against its neighbours: ramps and edges have those alike, a block's border stands alone
    alone = steps[:, 1:-1] - 0.5 * (steps[:, :-2] + steps[:, 2:])
    limit = _limit_of(steps)
    alone, base = np.clip(alone, -limit, limit), np.clip(steps[:, 1:-1], 0, limit)
    out = []
    for rows in np.array_split(np.arange(h), strips):
        # the middle blocks' mean: an upright edge of the scene lies on one line of the grid, a codec's on all
        blocks = np.sort(alone[rows][:, : count * grid].reshape(-1, count, grid).mean(axis=0), axis=0)
        profile = blocks[count // 5 : count - count // 5].mean(axis=0)
        level = float(base[rows].mean())
        if level > 1e-3:
            out.append((profile - np.median(profile)) / level)
    return np.asarray(out, np.float64).reshape(-1, grid)
