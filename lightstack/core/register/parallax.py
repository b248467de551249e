"""Do near and far things move alike: what a pose of the whole picture leaves over, block by block."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.align import align_texture, texture_of
from lightstack.core.register.poses import CellGrid, cut_grid, make_template, tally_frame
from lightstack.core.register.texture import mean_luma
from lightstack.core.warp import scale_pose
from lightstack.records import FloatArray, NoiseModel

__all__ = ["measure_parallax"]

BLOCK_CELLS = 4  # cells a side: a tenth of the picture's width
LEAST_BLOCKS = 6
LEAST_ALIKE = 0.4  # of a block's texture that must be found again
GONE_WORST = 0.9  # quantile over blocks that speaks for the picture: one block may hold somebody who moved


def measure_parallax(
    reference: FloatArray,
    moving: FloatArray,
    matrix: NDArray[np.float64],
    *,
    factor: int = 1,
    noise: NoiseModel | None = None,
    averaged: tuple[int, int] = (1, 1),
) -> tuple[float, float]:
    """Measure how far blocks of a picture lie from where any one pose can put them.

    ``reference``, ``moving``: ``(h, w, 3)`` linear light, box-averaged by ``factor``. ``matrix``: pose of ``moving``
    against ``reference`` as far as known, full-size pixels. ``averaged``: frames that each is a mean of. Returns the
    displacement that a tenth of the blocks exceed, and the median block's standard error, both in full-size pixels;
    NaN with too little texture.

    Notes: the pose is refined first, as an affine one. One step of least squares for the blocks, good to about half a
    pixel of the pictures given.
    """
    still, changed = mean_luma(reference), mean_luma(moving)
    grid = cut_grid(still.shape)
    if grid.rows < 3 or grid.columns < 3:
        return float("nan"), float("nan")
    first = texture_of(still, noise=noise, averaged=averaged[0])
    second = texture_of(changed, noise=noise, averaged=averaged[1])
    found = align_texture(first, second, model="affine", start=scale_pose(matrix, factor))
    if not found.converged:
        return float("nan"), float("nan")
    moved, error = _solve_blocks(tally_frame(second, make_template(first, found.pose, grid=grid)), grid)
    if len(moved) < LEAST_BLOCKS:
        return float("nan"), float("nan")
    middle = np.median(moved, axis=0)
    length = np.hypot(*(moved - middle).T)
    # chance alone moves blocks too: taken off in the square
    real = np.sqrt(np.maximum(length**2 - 2 * error**2, 0))
    return float(np.quantile(real, GONE_WORST)) * factor, float(np.median(error)) * factor


def _solve_blocks(tally: NDArray[np.float64], grid: CellGrid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Displacements (k, 2) of blocks with texture in both directions, and their standard errors (k,), pixels."""
    cells = tally.reshape(grid.rows, grid.columns, -1)
    moves, errors = [], []
    for top in range(0, grid.rows, BLOCK_CELLS):
        for left in range(0, grid.columns, BLOCK_CELLS):
            part = cells[top : top + BLOCK_CELLS, left : left + BLOCK_CELLS].reshape(-1, tally.shape[1])
            xx, xy, yy, x, y, signal, alike = part.sum(axis=0)
            system = np.array([[xx, xy], [xy, yy]])
            low = float(np.linalg.eigvalsh(system)[0])
            if signal <= 0 or alike < LEAST_ALIKE * signal or low <= 1e-3 * np.trace(system) or low <= 0:
                continue
            move = np.linalg.solve(system, [x, y])
            scores = part[:, 3:5] - np.stack([part[:, :2] @ move, part[:, 1:3] @ move], -1)
            bread = np.linalg.inv(system)
            spread = bread @ (scores.T @ scores) @ bread * len(part) / max(len(part) - 2, 1)
            moves.append(move)
            errors.append(np.sqrt(np.trace(spread) / 2))
    return np.array(moves).reshape(-1, 2), np.array(errors)
