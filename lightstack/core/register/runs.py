"""Runs of frames that share a pose: where they end, and what pose all their frames give together.

Everything here counts in proxy pixels. A *run* is a half-open pair of frame indices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.align import align_texture
from lightstack.core.register.poses import (
    CellGrid,
    apply_move,
    corner_spread_px,
    fit_move,
    move_matrix,
    read_move,
    rebase_tally,
)
from lightstack.core.register.steps import batch_variance, partition_path
from lightstack.core.register.tracking import Footage, Tallies
from lightstack.core.warp import corner_shift_px
from lightstack.records import BoolArray, FloatArray

__all__ = ["RunPose", "cut_take", "free_frames", "join_runs", "settle_run", "soften_ramps"]

Run = tuple[int, int]


@dataclass(frozen=True)
class RunPose:
    """A run with the pose that all its frames gave together, and its covariance (nested basis)."""

    run: Run
    pose: NDArray[np.float64]
    covariance: NDArray[np.float64]
    used: int


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


def soften_ramps(settled: Sequence[RunPose], tallies: Tallies, *, skip: BoolArray, piece_px: float) -> list[RunPose]:
    """Turn stairs that are really a slope into many small steps.

    Between the middles of two neighbouring runs the path either jumps at their border or climbs evenly.
    Where the even climb explains it better, the halves on both sides are cut into pieces over each of
    which the pose moves by at most ``piece_px``; a half at a slope's end goes on climbing if that fits.
    """
    climbs = [_climbs(one, two, (_middle(one), _middle(two)), tallies, skip) for one, two in pairwise(settled)]
    climbs = [False, *climbs, False]
    pieces: list[RunPose] = []
    for index, run in enumerate(settled):
        before = settled[index - 1] if climbs[index] else None
        after = settled[index + 1] if climbs[index + 1] else None
        left, right = (run.run[0], _middle(run)), (_middle(run), run.run[1])
        if before is None and after is not None and _climbs(run, after, left, tallies, skip):
            before = after
        elif after is None and before is not None and _climbs(run, before, right, tallies, skip):
            after = before
        if before is None and after is None:
            pieces.append(run)
        else:
            pieces += _climb(run, before, left, tallies.grid, piece_px)
            pieces += _climb(run, after, right, tallies.grid, piece_px)
    return [piece for piece in pieces if piece.run[1] > piece.run[0]]


def _middle(run: RunPose) -> int:
    return (run.run[0] + run.run[1]) // 2


def _part(run: RunPose, start: int, end: int) -> RunPose:
    return RunPose((start, max(start, end)), run.pose, run.covariance, max(1, end - start))


def _share(one: RunPose, two: RunPose, frames: FloatArray) -> FloatArray:
    """Return how far frames lie from the middle of one run (0) towards that of another (1)."""
    return (frames - _middle(one)) / (_middle(two) - _middle(one))


def _climbs(one: RunPose, two: RunPose, span: Run, tallies: Tallies, skip: BoolArray) -> bool:
    """Tell whether the path over ``span`` follows the line through two runs rather than their steps."""
    frames = np.arange(*span)
    frames = frames[~skip[frames]]
    if len(frames) < 3:
        return False
    low, high = read_move(one.pose, tallies.grid), read_move(two.pose, tallies.grid)
    path, weight = tallies.path[frames], 1 / np.maximum(tallies.spread[frames], 1e-3)[:, None] ** 2
    line = low + _share(one, two, frames + 0.5)[:, None] * (high - low)
    own = (frames >= one.run[0]) & (frames < one.run[1])
    stairs = np.where(own[:, None], low, high)
    return bool(np.sum(weight * (path - line) ** 2) < np.sum(weight * (path - stairs) ** 2))


def _climb(run: RunPose, other: RunPose | None, span: Run, grid: CellGrid, piece_px: float) -> list[RunPose]:
    """Cut one half of a run into pieces with the pose at the middle of each."""
    if other is None or span[1] <= span[0]:
        return [_part(run, *span)]
    whole = corner_shift_px(other.pose @ np.linalg.inv(run.pose), grid.size)
    gap = whole * (span[1] - span[0]) / abs(_middle(other) - _middle(run))
    count = int(np.clip(np.ceil(gap / piece_px), 1, span[1] - span[0]))
    edges = np.linspace(span[0], span[1], count + 1).round().astype(int)
    pieces = []
    for start, end in pairwise(edges.tolist()):
        share = ((start + end) / 2 - _middle(run)) / (_middle(other) - _middle(run))
        pose = (1 - share) * run.pose + share * other.pose
        pieces.append(RunPose((start, end), pose, run.covariance, end - start))
    return pieces


def free_frames(
    settled: Sequence[RunPose],
    tallies: Tallies,
    *,
    footage: Footage,
    textures: Sequence[FloatArray],
    model: str,
    least_px: float,
) -> tuple[list[RunPose], BoolArray]:
    """Give frames that visibly do not share their run's pose one of their own.

    Returns the runs with those frames cut out, and ``(n,)`` bool: frames that do not fit their run and
    whose own pose is not to be believed either.
    """
    left = np.zeros(footage.count, bool)
    pieces: list[RunPose] = []
    for run in settled:
        start = run.run[0]
        home = read_move(run.pose, tallies.grid)
        usual = float(np.median(tallies.agreement[slice(*run.run)]))
        for index in range(*run.run):
            if _gap(tallies.path[index] - home) <= max(least_px, 5 * tallies.spread[index]):
                continue
            near = move_matrix(tallies.path[index], tallies.grid)
            if model == "translation":
                near = move_matrix(tallies.path[index][:2], tallies.grid)
            found = align_texture(
                textures[int(tallies.kind[index])],
                footage.texture(index),
                model=model,
                start=near,
                mask=footage.mask(index),
            )
            if not found.converged or found.fit.agreement < 0.7 * usual:
                left[index] = True
                continue
            pieces.append(_part(run, start, index))
            pieces.append(RunPose((index, index + 1), found.pose, found.fit.covariance, 1))
            start = index + 1
        pieces.append(_part(run, start, run.run[1]))
    return [piece for piece in pieces if piece.run[1] > piece.run[0]], left


def _gap(move: NDArray[np.float64]) -> float:
    """Return the most that a (shift, shift, turn) can move a corner."""
    return float(np.hypot(move[0], move[1]) + abs(move[2]))
