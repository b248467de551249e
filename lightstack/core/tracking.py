"""A take followed frame by frame, and its runs of frames settled to one pose each.

Everything here counts in proxy pixels. A *run* is a half-open pair of frame indices; a *base* is the pose
of the template that a frame was compared with.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lightstack.core.align import align_luma, texture_of
from lightstack.core.poses import (
    CellGrid,
    MoveFit,
    Template,
    apply_move,
    corner_spread_px,
    cut_grid,
    fit_move,
    make_template,
    move_matrix,
    read_move,
    rebase_tally,
    tally_frame,
)
from lightstack.core.steps import batch_variance, partition_path
from lightstack.core.texture import mean_luma
from lightstack.core.warp import corner_shift_px
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = [
    "Footage",
    "RunPose",
    "Tallies",
    "cut_take",
    "join_runs",
    "mean_frames",
    "mean_texture",
    "scan_take",
    "settle_run",
    "tally_take",
]

Run = tuple[int, int]
_NEAR_PX = 0.3  # a Gauss-Newton step is good to a few percent of its length


@dataclass(frozen=True)
class Footage:
    """A take's frames as textures. ``frames(i)`` gives linear light; ``usable(i)`` where to look, or None."""

    frames: Callable[[int], FloatArray]
    count: int
    noise: NoiseModel | None
    usable: Callable[[int], BoolArray | None] | None = None

    def luma(self, index: int) -> FloatArray:
        return mean_luma(self.frames(index))

    def texture(self, index: int) -> FloatArray:
        return texture_of(self.luma(index), noise=self.noise)

    def mask(self, index: int) -> BoolArray | None:
        return None if self.usable is None else self.usable(index)


@dataclass(frozen=True)
class Tallies:
    """Per frame: the base it was compared at, its tally, its own fit, and the path that follows.

    ``bases`` ``(n, 3, 3)``, ``cells`` ``(n, cells, 7)`` float32, ``path`` ``(n, 3)`` pixels, ``spread``
    ``(n,)`` standard error of the worst corner, ``agreement`` ``(n,)`` 0..1, ``kind`` ``(n,)`` which
    reference texture served (0 lamp off, 1 lit).
    """

    grid: CellGrid
    bases: NDArray[np.float64]
    cells: NDArray[np.float32]
    path: NDArray[np.float64]
    spread: NDArray[np.float64]
    agreement: NDArray[np.float32]
    kind: NDArray[np.int64]


@dataclass(frozen=True)
class RunPose:
    """A run with the pose that all its frames gave together, and its covariance (nested basis)."""

    run: Run
    pose: NDArray[np.float64]
    covariance: NDArray[np.float64]
    used: int


@dataclass
class _Shelf:
    """Templates by pose, so that a run of frames shares one."""

    textures: Sequence[FloatArray]
    grid: CellGrid
    kept: dict[tuple[int, bytes], Template] = field(default_factory=dict)

    def template(self, kind: int, pose: NDArray[np.float64], mask: BoolArray | None) -> Template:
        if mask is not None:
            return make_template(self.textures[kind], pose, grid=self.grid, usable=mask)
        key = (kind, pose.tobytes())
        if key not in self.kept:
            if len(self.kept) > 6:
                self.kept.clear()
            self.kept[key] = make_template(self.textures[kind], pose, grid=self.grid)
        return self.kept[key]


def mean_texture(footage: Footage, indices: Sequence[int]) -> FloatArray:
    """Average the textures of frames that share a pose, ``(h, w)`` float32."""
    total: NDArray[np.float64] | None = None
    for index in indices:
        texture = footage.texture(index).astype(np.float64)
        total = texture if total is None else total + texture
    if total is None:
        raise ValueError("no frames to average")
    return (total / len(indices)).astype(np.float32)


def mean_frames(footage: Footage, indices: Sequence[int]) -> FloatArray:
    """Average the lumas of frames that share pose and light, ``(h, w)`` float32."""
    return np.mean([footage.luma(index) for index in indices], axis=0, dtype=np.float64).astype(np.float32)


def scan_take(footage: Footage, first: Sequence[int]) -> Tallies:
    """Follow a take against the mean of its frames ``first``, moving the template only when a frame did."""
    luma = mean_frames(footage, first)
    grid = cut_grid(luma.shape)
    shelf = _Shelf([texture_of(luma, noise=footage.noise, averaged=len(first))], grid)
    pose = np.eye(3)
    rows = []
    for index in range(footage.count):
        texture, mask = footage.texture(index), footage.mask(index)
        base, tally, fit = _follow(shelf, texture, mask, pose)
        if not _is_near(fit, grid) and _is_far(fit, grid):
            # Lost, or a knock of many pixels: look at the whole picture, and believe only what agrees better.
            found = align_luma(luma, footage.luma(index), noise=footage.noise, mask=mask)
            tried = _follow(shelf, texture, mask, found.pose)
            if found.converged and tried[2].agreement > fit.agreement:
                base, tally, fit = tried
        if _is_near(fit, grid):
            pose = base
        rows.append((base, tally, fit))
    return _gather(rows, grid, np.zeros(footage.count, np.int64))


def _follow(
    shelf: _Shelf, texture: FloatArray, mask: BoolArray | None, start: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], MoveFit]:
    """Move the template until the frame is near it; returns base, tally and fit."""
    base = start
    for _ in range(5):
        tally = tally_frame(texture, shelf.template(0, base, mask))
        fit = fit_move(tally, shelf.grid, model="euclidean")
        if _is_near(fit, shelf.grid) or not _is_believed(fit, shelf.grid):
            break
        moved = apply_move(base, fit.values, shelf.grid)
        if corner_shift_px(moved, shelf.grid.size) > 0.3 * max(shelf.grid.size):
            break
        base = moved
    return base, tally, fit


def _shift(fit: MoveFit, grid: CellGrid) -> float:
    shift = corner_shift_px(apply_move(np.eye(3), fit.values, grid), grid.size)
    return shift if np.isfinite(shift) else np.inf


def _is_near(fit: MoveFit, grid: CellGrid) -> bool:
    return _shift(fit, grid) < max(_NEAR_PX, 3 * corner_spread_px(fit.covariance, grid))


def _is_believed(fit: MoveFit, grid: CellGrid) -> bool:
    return fit.agreement > 0.1 and corner_spread_px(fit.covariance, grid) < 1.0


def _is_far(fit: MoveFit, grid: CellGrid) -> bool:
    return not _is_believed(fit, grid) or _shift(fit, grid) > 1.0


def tally_take(
    footage: Footage,
    textures: Sequence[FloatArray],
    bases: NDArray[np.float64],
    kind: NDArray[np.int64],
    indices: Sequence[int] | None = None,
    into: Tallies | None = None,
) -> Tallies:
    """Compare every frame (or ``indices``, the rest taken from ``into``) at a given base."""
    grid = cut_grid(textures[0].shape)
    shelf = _Shelf(textures, grid)
    chosen = set(range(footage.count) if indices is None else indices)
    rows = []
    for index in range(footage.count):
        if index in chosen:
            template = shelf.template(int(kind[index]), bases[index], footage.mask(index))
            tally = tally_frame(footage.texture(index), template)
            rows.append((bases[index], tally, fit_move(tally, grid, model="euclidean")))
        else:
            assert into is not None
            tally = into.cells[index].astype(np.float64)
            rows.append((into.bases[index], tally, fit_move(tally, grid, model="euclidean")))
    return _gather(rows, grid, kind)


def _gather(
    rows: Sequence[tuple[NDArray[np.float64], NDArray[np.float64], MoveFit]],
    grid: CellGrid,
    kind: NDArray[np.int64],
) -> Tallies:
    path = np.array([read_move(apply_move(base, fit.values, grid), grid) for base, _, fit in rows])
    return Tallies(
        grid,
        np.array([base for base, _, _ in rows]),
        np.array([tally for _, tally, _ in rows], np.float32),
        path,
        np.array([corner_spread_px(fit.covariance, grid) for _, _, fit in rows]),
        np.array([np.clip(fit.agreement, 0, 1) for _, _, fit in rows], np.float32),
        kind,
    )


def settle_run(tallies: Tallies, run: Run, *, model: str, skip: BoolArray) -> RunPose:
    """Fit one pose to all frames of a run.

    Lamp-off and lit frames are fitted apart, since the lamp biases only the lit ones, and combined by
    their covariances. ``skip``: ``(n,)`` bool, frames not to use.
    """
    grid = tallies.grid
    frames = [i for i in range(*run) if not skip[i]] or list(range(*run))
    base = tallies.bases[frames[len(frames) // 2]]
    if model == "translation":  # the base must not bring a turn of its own
        base = move_matrix(read_move(base, grid)[:2], grid)
    fits = []
    for kind in (0, 1):
        mine = [i for i in frames if tallies.kind[i] == kind]
        if mine:
            fits.append(_settle_kind(tallies, mine, base, model))
    if len(fits) == 1:
        values, covariance = fits[0]
    else:
        inverse = [np.linalg.inv(c) for _, c in fits]
        covariance = np.linalg.inv(inverse[0] + inverse[1])
        values = covariance @ (inverse[0] @ fits[0][0] + inverse[1] @ fits[1][0])
    return RunPose(run, apply_move(base, values, grid), covariance, len(frames))


def _settle_kind(
    tallies: Tallies, frames: Sequence[int], base: NDArray[np.float64], model: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit one pose to frames under one kind of light; returns the move from ``base`` and its covariance."""
    grid = tallies.grid
    total = np.zeros(tallies.cells.shape[1:])
    for index in frames:
        total += rebase_tally(tallies.cells[index].astype(np.float64), tallies.bases[index], base, grid)
    fit = fit_move(total, grid, model=model)
    covariance = fit.covariance + 1e-10 * np.eye(len(fit.values))
    # The scatter between cells knows nothing of wandering in time that all cells share.
    wander = batch_variance(tallies.path[frames])[: len(fit.values)]
    known = np.diag(covariance)[: len(wander)]
    stretch = np.ones(len(covariance))
    stretch[: len(wander)] = np.sqrt(np.maximum(1, wander / known))
    return fit.values, covariance * np.outer(stretch, stretch)


def join_runs(
    tallies: Tallies, runs: Sequence[Run], *, skip: BoolArray, least_px: float, sigmas: float = 4.0
) -> list[RunPose]:
    """Join neighbouring runs, the least different first, until every border is a real one."""
    settled = [settle_run(tallies, run, model="euclidean", skip=skip) for run in runs]
    while len(settled) > 1:
        doubts = [_difference(one, two, tallies.grid, least_px, sigmas) for one, two in pairwise(settled)]
        where = int(np.argmin(doubts))
        if doubts[where] > 1:
            break
        run = (settled[where].run[0], settled[where + 1].run[1])
        settled[where : where + 2] = [settle_run(tallies, run, model="euclidean", skip=skip)]
    return settled


def _difference(one: RunPose, two: RunPose, grid: CellGrid, least_px: float, sigmas: float) -> float:
    """Return by how much two poses differ, 1 = just enough to count."""
    gap = corner_shift_px(two.pose @ np.linalg.inv(one.pose), grid.size)
    error = corner_spread_px(one.covariance + two.covariance, grid)
    return gap / max(least_px, sigmas * error)


def cut_take(tallies: Tallies, *, skip: BoolArray, floor_px: float) -> list[Run]:
    """Cut a take where its path jumps; stray frames take no part."""
    path = tallies.path.copy()
    spread = np.maximum(tallies.spread, floor_px)[:, None] * np.ones(path.shape[1])
    spread[skip] = 1e3
    step = np.abs(np.diff(path[~skip], axis=0)) if (~skip).sum() > 3 else np.zeros((1, path.shape[1]))
    white = 1.4826 * np.median(step, 0) / np.sqrt(2)
    return partition_path(path, scale=np.maximum(spread, white))
