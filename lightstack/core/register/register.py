"""How far a frame moved, whether to believe it, and where a take stands against the origin.

A swept lamp changes every brightness in the picture, so frames are compared by texture (``texture``), cell
by cell with the light fitted away (``poses``). A take is cut where its path of poses jumps (``steps``),
and all frames between two jumps give one pose together (``tracking``): many frames beat the noise of one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.align import align_luma
from lightstack.core.register.anchor import Anchor, Offset, Origin, Pose, average_anchor, longest_dark, measure_offset
from lightstack.core.register.poses import (
    MODELS,
    CellGrid,
    corner_spread_px,
    cut_grid,
)
from lightstack.core.register.runs import RunPose, cut_take, free_frames, join_runs, settle_run, soften_ramps
from lightstack.core.register.steps import find_strays
from lightstack.core.register.texture import mean_luma, normalise_texture
from lightstack.core.register.tracking import Footage, Tallies, scan_take, tally_take
from lightstack.core.warp import corner_shift_px, scale_pose, warp_picture
from lightstack.errors import MismatchedInput, SettingError
from lightstack.records import BoolArray, FloatArray, NoiseModel, Registration, Stretch

__all__ = ["PoseFit", "measure_pose", "normalise_texture", "solve_take", "warp_picture"]

LEAST_SHIFT_PX = 0.03  # full-size pixels; smaller shifts cost more in resampling than they mend
IDENTITY_SIGMAS = 3.0
_PIECE_PX = 0.05  # full-size pixels; a slope becomes steps of this height
_FREE_PX = 0.15  # full-size pixels; a frame that is farther from its run gets a pose of its own
_BLIND_PX = 0.2  # proxy pixels; a scan whose lit frames are less sure than that has the wrong reference
_STEP_PX = 0.1  # proxy pixels; longer Gauss-Newton steps are taken again from where they led


@dataclass(frozen=True, slots=True)
class PoseFit:
    """A measured pose: reference -> moving, full-size pixels; ``agreement`` 0..1; ``standard_error_px`` of
    the worst corner; ``converged`` False means the pose is not to be believed."""

    matrix: NDArray[np.float64]
    agreement: float
    standard_error_px: float
    converged: bool


def measure_pose(
    reference: FloatArray,
    moving: FloatArray,
    *,
    model: str = "euclidean",
    mask: BoolArray | None = None,
    start: NDArray[np.float64] | None = None,
    factor: int = 1,
    noise: NoiseModel | None = None,
    averaged: tuple[int, int] = (1, 1),
) -> PoseFit:
    """Measure how a picture moved against a reference in different light.

    ``reference``, ``moving``: ``(h, w)`` or ``(h, w, 3)`` linear light, box-averaged by ``factor``.
    ``model``: "none", "translation", "euclidean", "affine", "homography". ``mask``: ``(h, w)`` bool in
    the moving picture, where to look. ``start``: first guess, full-size pixels; without one shifts up to
    half of the picture are found. ``noise``: at proxy size; guessed from the pictures without it.
    ``averaged``: how many frames each picture is a mean of.

    Raises MismatchedInput for pictures of different size, SettingError for an unknown model.

    Notes: never raises for pictures that do not match; ``converged`` is False then.
    """
    still, changed = mean_luma(reference), mean_luma(moving)
    if still.shape != changed.shape:
        raise MismatchedInput(f"picture is {changed.shape[::-1]} pixels, its reference {still.shape[::-1]}")
    if model not in MODELS and model != "none":
        raise SettingError(f"model {model!r} is unknown; use one of none, {', '.join(MODELS)}")
    if model == "none" or _is_too_small(cut_grid(still.shape)):
        return PoseFit(np.eye(3), 0.0, np.inf, model == "none")
    first = None if start is None else scale_pose(start, factor)
    found = align_luma(still, changed, model=model, start=first, mask=mask, noise=noise, averaged=averaged)
    matrix = scale_pose(found.pose, 1 / factor)
    agreement = float(np.clip(found.fit.agreement, 0, 1))
    return PoseFit(matrix, agreement, found.spread_px * factor, found.converged)


def solve_take(
    frames: Callable[[int], FloatArray],
    count: int,
    reference: FloatArray | None,
    *,
    source_frames: Sequence[int] | NDArray[np.int64],
    factor: int,
    model: str = "auto",
    noise: NoiseModel | None = None,
    lit: BoolArray | None = None,
    usable: Callable[[int], BoolArray | None] | None = None,
    reference_frames: int = 1,
    take: str = "take",
) -> Registration:
    """Solve the poses of a whole take against the registration origin.

    ``frames(i)``: ``(h, w, 3)`` or ``(h, w)`` linear light of frame index 0..``count`` - 1, box-averaged by
    ``factor``; called up to six times per frame. ``reference``: the origin's picture in the same
    size, or None: the take is its own origin (its longest unlit stretch, else its longest stretch).
    ``source_frames``: ``(n,)`` numbers to report. ``model``: as ``measure_pose``, or "auto".
    ``noise``: at proxy size. ``lit``: ``(n,)`` bool, lamp on. ``usable(i)``: ``(h, w)`` bool, where to look.
    ``reference_frames``: how many frames ``reference`` is a mean of; eight or more are worth having.

    Returns a Registration whose stretches cover the take without gaps. A stretch is the identity unless
    its shift exceeds 0.03 full-size pixels and three standard errors. Where the reference cannot be matched
    at all, poses stand against the take's own stretch as without one, and the standard error is infinite.

    Raises SettingError for an unknown model, MismatchedInput where the reference has another size.

    Notes: a slow sag becomes a chain of short stretches. Where no frame has texture the take is taken as
    still. Cost: three passes, five if the take was knocked or sags, of some 3 ms per 640 x 360 frame. Half
    floats are read faster as they are than widened by the caller.
    """
    if model not in (*MODELS, "auto", "none"):
        raise SettingError(f"model {model!r} is unknown; use one of auto, none, {', '.join(MODELS)}")
    numbers = [int(number) for number in source_frames]
    if count < 1 or len(numbers) != count:
        raise MismatchedInput(f"{take}: {count} frames but {len(numbers)} frame numbers")
    size = frames(0).shape[:2]
    if reference is not None and reference.shape[:2] != size:
        raise MismatchedInput(f"{take}: frames are {size[::-1]} pixels, the origin {reference.shape[1::-1]}")
    grid = cut_grid(size)
    if model == "none" or _is_too_small(grid):
        return _stand_still(take, numbers, grid, factor)
    footage = Footage(frames, count, noise, usable)
    dark = np.zeros(count, bool) if lit is None else ~np.asarray(lit, bool)
    tallies, runs, anchor = _cut(footage, dark, factor)
    skip = _strays(tallies, factor)
    origin = None if reference is None else Origin(mean_luma(reference), reference_frames)
    kind = _choose_model(tallies, runs, skip, origin, anchor, noise, factor) if model == "auto" else model
    settled = [settle_run(tallies, run.run, model=kind, skip=skip) for run in runs]
    settled = _retally(footage, tallies, settled, anchor, skip, kind)
    home = _choose_home(settled, dark)
    settled = soften_ramps(settled, tallies, skip=skip, piece_px=_PIECE_PX / factor)
    settled, left = free_frames(
        settled,
        tallies,
        footage=footage,
        textures=anchor.textures,
        model=kind,
        least_px=_FREE_PX / factor,
    )
    offset = measure_offset(origin, anchor, noise, kind)
    if not offset.matched or origin is None:
        back = np.asarray(np.linalg.inv(home.pose), np.float64)
        offset = replace(offset, pose=back)
    stretches = [_to_stretch(run, offset, grid, factor, numbers) for run in settled]
    return Registration(
        take, kind, _merge(stretches), tuple(numbers[i] for i in np.flatnonzero(left)), tallies.agreement
    )


def _is_too_small(grid: CellGrid) -> bool:
    return grid.rows < 3 or grid.columns < 3


def _stand_still(take: str, numbers: Sequence[int], grid: CellGrid, factor: int) -> Registration:
    """Return the registration of a take that is not to be, or cannot be, measured."""
    still = Stretch(min(numbers), max(numbers), np.eye(3), True, 0.0, 0.0, len(numbers))
    return Registration(take, "none", (still,), (), np.zeros(len(numbers), np.float32))


def _strays(tallies: Tallies, factor: int) -> BoolArray:
    """Frames that fit neither neighbour: shaken, or without enough texture to tell."""
    return find_strays(tallies.path, least_px=0.25 / factor) | ~(tallies.spread < 1.0)


def _scan(footage: Footage, dark: BoolArray) -> Tallies:
    """Follow the take against its unlit frames, or against lit ones where the unlit room is all noise."""
    tallies = scan_take(footage, longest_dark(dark))
    lit = np.flatnonzero(~dark)
    if not dark.any() or len(lit) < 3 or np.median(tallies.spread[lit]) < _BLIND_PX:
        return tallies
    middle = len(lit) // 2
    again = scan_take(footage, lit[max(middle - 6, 0) : middle + 6].tolist())
    return min(tallies, again, key=lambda one: float(np.median(one.spread[lit])))


def _cut(footage: Footage, dark: BoolArray, factor: int) -> tuple[Tallies, list[RunPose], Anchor]:
    """Cut a take into runs of constant pose, relative to the run that serves as anchor."""
    least = LEAST_SHIFT_PX / factor
    tallies = _scan(footage, dark)
    path = tallies.path  # against one reference throughout, so that it shows a sag for what it is
    skip = _strays(tallies, factor)
    runs = join_runs(tallies, cut_take(tallies, skip=skip, floor_px=least), skip=skip, least_px=least)
    for _ in range(2):
        home = _choose_home(runs, dark)
        anchor, tallies = _compare_with(home, runs, footage, dark, path, skip)
        skip = _strays(tallies, factor)
        found = [*cut_take(tallies, skip=skip, floor_px=least / 2), *(run.run for run in runs)]
        pieces = list(pairwise(sorted({edge for run in found for edge in run})))
        runs = join_runs(tallies, pieces, skip=skip, least_px=least)
        if not any(home.run[0] < run.run[0] < home.run[1] for run in runs):
            break  # else the anchor was a mean of two poses: once more, with a better one
    return tallies, runs, anchor


def _choose_home(runs: Sequence[RunPose], dark: BoolArray) -> RunPose:
    """Return the run that the others are measured against: unlit frames first, then length."""
    return max(runs, key=lambda run: (min(int(dark[slice(*run.run)].sum()), 8), run.run[1] - run.run[0]))


def _compare_with(
    home: RunPose,
    runs: Sequence[RunPose],
    footage: Footage,
    dark: BoolArray,
    path: FloatArray,
    skip: BoolArray,
) -> tuple[Anchor, Tallies]:
    """Average the frames of one run and compare the whole take with it."""
    inside = np.zeros(footage.count, bool)
    inside[slice(*home.run)] = True
    sound = inside & ~skip
    anchor = average_anchor(footage, sound if sound.any() else inside, dark, path)
    bases = np.empty((footage.count, 3, 3))
    for run in runs:
        bases[slice(*run.run)] = np.eye(3) if run is home else run.pose @ np.linalg.inv(home.pose)
    return anchor, tally_take(footage, anchor.textures, bases, (~dark).astype(np.int64))


def _choose_model(
    tallies: Tallies,
    runs: Sequence[RunPose],
    skip: BoolArray,
    origin: Origin | None,
    anchor: Anchor,
    noise: NoiseModel | None,
    factor: int,
) -> str:
    """Return the plainest model whose left-out parameters nowhere move a corner measurably."""
    fits: dict[str, list[Pose]] = {}
    for kind in MODELS:
        settled = [settle_run(tallies, run.run, model=kind, skip=skip) for run in runs]
        fits[kind] = [(run.pose, run.covariance) for run in settled]
        offset = measure_offset(origin, anchor, noise, kind)
        fits[kind].append((offset.pose, offset.covariance))
    for plain, richer in pairwise(MODELS):
        needed = any(
            _is_richer(one, two, tallies.grid, richer, factor)
            for one, two in zip(fits[plain], fits[richer], strict=True)
        )
        if not needed:
            return plain
    return "homography"


def _is_richer(one: Pose, two: Pose, grid: CellGrid, richer: str, factor: int) -> bool:
    """Tell whether a richer model's pose differs by more than chance and what resampling is worth."""
    gap = corner_shift_px(two[0] @ np.linalg.inv(one[0]), grid.size)
    least, sigmas = (LEAST_SHIFT_PX, IDENTITY_SIGMAS) if richer == "euclidean" else (0.1, 5.0)
    return gap > max(least / factor, sigmas * corner_spread_px(two[1], grid))


def _retally(
    footage: Footage,
    tallies: Tallies,
    settled: Sequence[RunPose],
    anchor: Anchor,
    skip: BoolArray,
    model: str,
) -> list[RunPose]:
    """Compare runs again whose pose came out too far from where their frames were compared."""
    bases = tallies.bases.copy()
    far: list[int] = []
    for run in settled:
        if corner_shift_px(run.pose @ np.linalg.inv(bases[run.run[0]]), tallies.grid.size) > _STEP_PX:
            bases[slice(*run.run)] = run.pose
            far += range(*run.run)
    if not far:
        return list(settled)
    again = tally_take(footage, anchor.textures, bases, tallies.kind, far, tallies)
    return [settle_run(again, run.run, model=model, skip=skip) for run in settled]


def _to_stretch(run: RunPose, offset: Offset, grid: CellGrid, factor: int, numbers: Sequence[int]) -> Stretch:
    """Put a run's pose against the origin in full-size pixels and decide whether to resample it."""
    matrix = run.pose @ offset.pose
    shift = corner_shift_px(matrix, grid.size) * factor
    error = corner_spread_px(run.covariance + offset.covariance, grid) * factor
    still = not shift > max(LEAST_SHIFT_PX, IDENTITY_SIGMAS * error)
    # Rounded far below any error, so that the last bits of a solver never reach a plate.
    full = np.eye(3) if still else scale_pose(matrix / matrix[2, 2], 1 / factor).round(9)
    known = error if offset.matched else np.inf
    return Stretch(numbers[run.run[0]], numbers[run.run[1] - 1], full, still, shift, known, run.used)


def _merge(stretches: Sequence[Stretch]) -> tuple[Stretch, ...]:
    """Join neighbouring stretches that are both left as they are."""
    joined: list[Stretch] = []
    for stretch in stretches:
        if joined and joined[-1].identity and stretch.identity:
            last = joined.pop()
            stretch = replace(
                last,
                last=stretch.last,
                shift_px=max(last.shift_px, stretch.shift_px),
                standard_error_px=max(last.standard_error_px, stretch.standard_error_px),
                frames_used=last.frames_used + stretch.frames_used,
            )
        joined.append(stretch)
    return tuple(joined)
