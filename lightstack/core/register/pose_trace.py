"""The camera's path over a take: where it stood frame by frame, its bumps and its sags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FrameSpan, Registration

__all__ = ["Movement", "PoseTrace", "find_movements", "find_moving", "find_still_span", "list_spans", "trace_poses"]

STEP_PX = 0.2  # full-size pixels between neighbouring frames; common practice: less does not show on an edge
SHARP_PX = 0.3  # common practice: what moves less needs no care
SHORT_FRAMES = 6  # a pose that was held for less than a quarter second was not held
MOVING_PX = 1.2  # full-size pixels in a quarter second, from which a frame counts as taken on the move
LOST_SHARE = 0.35  # of the agreement that most frames of that light reach


@dataclass(frozen=True, slots=True)
class PoseTrace:
    """Poses frame by frame against the pose that was held longest, full-size pixels.

    ``shift_px`` (n, 2) of the picture's middle, ``turn_deg`` (n,) clockwise, ``scale`` (n,) 1 = same size,
    ``corner_px`` (n,) of the worst corner, ``step_px`` (n,) of the worst corner since the frame before,
    ``error_px`` (n,) standard error, ``believed`` (n,), ``held`` (n,) frames in a row that share the pose.
    ``corners`` (n, 8): where the corners went.
    """

    source_frames: NDArray[np.int64]
    shift_px: NDArray[np.float64]
    turn_deg: NDArray[np.float64]
    scale: NDArray[np.float64]
    corner_px: NDArray[np.float64]
    step_px: NDArray[np.float64]
    error_px: NDArray[np.float64]
    believed: BoolArray
    held: NDArray[np.int64]
    corners: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Movement:
    """One movement of the camera: ``kind`` "bump" (within a moment) or "sag" (over a while); source frames from the
    last before it to the first after it; ``size_px`` of the worst corner from before to after; ``worst_px`` at its
    most."""

    kind: str
    first: int
    last: int
    size_px: float
    worst_px: float


def trace_poses(
    registration: Registration,
    source_frames: Sequence[int] | NDArray[np.int64],
    size: tuple[int, int],
    *,
    lamp_on: BoolArray | None = None,
) -> PoseTrace:
    """Read a registration frame by frame. ``size``: (H, W) of the full picture."""
    numbers = np.asarray(source_frames, np.int64)
    stretches = [registration.stretch_at(int(number)) for number in numbers]
    matrices = np.stack([stretch.matrix for stretch in stretches])
    corners = _move_corners(matrices, size)
    home = matrices[_longest_home(corners)]
    away = matrices @ np.linalg.inv(home)
    middle = np.array([size[1] / 2, size[0] / 2, 1.0])
    moved = away @ middle
    steps = np.zeros(len(numbers))
    steps[1:] = _corner_gap(corners[1:], corners[:-1])
    firsts = np.array([stretch.first for stretch in stretches])
    held = np.array([np.count_nonzero(firsts == first) for first in firsts])
    return PoseTrace(
        source_frames=numbers,
        shift_px=moved[:, :2] / moved[:, 2:] - middle[:2],
        turn_deg=np.degrees(np.arctan2(away[:, 1, 0] - away[:, 0, 1], away[:, 0, 0] + away[:, 1, 1])),
        scale=np.sqrt(np.abs(np.linalg.det(away[:, :2, :2]))),
        corner_px=_corner_gap(_move_corners(away, size), _move_corners(np.eye(3)[None], size)),
        step_px=steps,
        error_px=np.array([stretch.standard_error_px for stretch in stretches]),
        believed=~(np.isin(numbers, registration.left_out) | _find_lost(registration, held, lamp_on)),
        held=held,
        corners=corners,
    )


def _find_lost(registration: Registration, held: NDArray[np.int64], lamp_on: BoolArray | None) -> BoolArray:
    """Frames that agree far less with the pose of their stretch than frames of their light usually do, (n,) bool."""
    agreement = np.asarray(registration.agreement)
    lost = np.zeros(len(held), bool)
    if len(agreement) != len(held):
        return lost
    lit = np.zeros(len(held), bool) if lamp_on is None else np.asarray(lamp_on, bool)
    for group in (lit, ~lit):
        if group.any():
            lost |= group & (agreement < LOST_SHARE * np.quantile(agreement[group], 0.9))
    return lost & (held > 1)  # a frame with a pose of its own was looked at alone


def _move_corners(matrices: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float64]:
    """Where poses (n, 3, 3) put the picture's corners, (n, 8)."""
    height, width = size
    corners = np.array([[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1]], np.float64)
    moved = corners @ np.swapaxes(matrices, 1, 2)
    return (moved[..., :2] / moved[..., 2:]).reshape(len(matrices), 8)


def _corner_gap(one: NDArray[np.float64], two: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of the worst corner, (n,)."""
    gaps = (one - two).reshape(len(one), 4, 2)
    return np.asarray(np.hypot(gaps[..., 0], gaps[..., 1]).max(axis=1))


def _longest_home(corners: NDArray[np.float64]) -> int:
    """Index of a frame whose pose the most frames share; the first of them."""
    poses, where, counts = np.unique(corners, axis=0, return_index=True, return_counts=True)
    if len(poses) > 512:  # a carried camera: any frame will do
        return int(where[np.argmax(counts)])
    shared = [counts[_corner_gap(poses, np.broadcast_to(pose, poses.shape)) <= STEP_PX].sum() for pose in poses]
    best = np.flatnonzero(np.asarray(shared) == max(shared))
    return int(where[best].min())


def find_movements(trace: PoseTrace) -> tuple[Movement, ...]:
    """Part the path of poses into bumps and sags.

    Notes: jumps that follow each other within a quarter second are one bump; between bumps a path that wanders by
    more than a fifth of a pixel in several steps is a sag.
    """
    if len(trace.source_frames) < 2:
        return ()
    least = max(STEP_PX, _slope_step(trace))
    jumps = np.flatnonzero(trace.step_px >= np.maximum(least, np.nan_to_num(trace.error_px, posinf=0.0)))
    groups: list[list[int]] = []
    for k in jumps.tolist():
        if groups and k - groups[-1][-1] <= SHORT_FRAMES:
            groups[-1].append(k)
        else:
            groups.append([k])
    edges = [0, *(k for group in groups for k in (group[0], group[-1])), len(trace.source_frames)]
    found = [_describe(trace, group[0] - 1, group[-1]) for group in groups]
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        slope = _find_slope(trace, start, end)
        if slope is not None:
            found.append(slope)
    return tuple(sorted(found, key=lambda movement: (movement.first, movement.last)))


def _slope_step(trace: PoseTrace) -> float:
    """What a step must exceed to be no part of a slope: a path of many steps makes each a small share of the whole."""
    if np.count_nonzero(trace.step_px) < SHORT_FRAMES:
        return 0.0
    return 0.25 * min(extent_px(trace), 4.0)


def extent_px(trace: PoseTrace) -> float:
    """How far the worst corner got from where the camera stood first, or longest."""
    gaps = _corner_gap(trace.corners, np.broadcast_to(trace.corners[:1], trace.corners.shape))
    return float(np.maximum(gaps, trace.corner_px)[trace.believed].max(initial=0.0))


def _describe(trace: PoseTrace, before: int, after: int) -> Movement:
    """Describe the jump or jumps from frame index ``before`` to ``after``."""
    here = trace.corners[before : after + 1]
    gaps = _corner_gap(here, np.broadcast_to(here[0], here.shape))
    first, last = (int(trace.source_frames[k]) for k in (before, after))
    return Movement("bump", first, last, float(gaps[-1]), float(gaps.max()))


def _find_slope(trace: PoseTrace, start: int, end: int) -> Movement | None:
    """Find a sag among the frame indices from ``start`` to before ``end``, which hold no jump."""
    if end - start < SHORT_FRAMES:
        return None
    here = trace.corners[start:end]
    steps = np.flatnonzero(_corner_gap(here[1:], here[:-1]) > 0)
    gaps = _corner_gap(here, np.broadcast_to(here[0], here.shape))
    if len(steps) < 2 or gaps.max() < STEP_PX:
        return None
    # the first and the last piece go on to the middle of the pose that they end in
    first, last = (int(trace.source_frames[start + k]) for k in (steps[0], steps[-1] + 1))
    return Movement("sag", first, last, float(gaps[-1]), float(gaps.max()))


def find_still_span(trace: PoseTrace, *, within_px: float = SHARP_PX) -> FrameSpan:
    """Find the longest run of source frames whose corners all stay within ``within_px`` of each other."""
    best, start, n = (0, 0), 0, len(trace.source_frames)
    for end in range(1, n + 1):
        while np.ptp(trace.corners[start:end], axis=0).max() > within_px:
            start += 1
        if end - start > best[1] - best[0]:
            best = (start, end)
    return int(trace.source_frames[best[0]]), int(trace.source_frames[max(best[1] - 1, best[0])])


def find_moving(trace: PoseTrace) -> BoolArray:
    """Frames taken while the camera moved by more than a pixel or so in a quarter second, (n,) bool."""
    n, half = len(trace.source_frames), SHORT_FRAMES // 2
    before, after = (np.clip(np.arange(n) + way, 0, n - 1) for way in (-half, half))
    return np.asarray(_corner_gap(trace.corners[before], trace.corners[after]) > MOVING_PX)


def list_spans(numbers: NDArray[np.int64], marked: BoolArray) -> tuple[FrameSpan, ...]:
    """Return runs of marked frames (n,) as inclusive pairs of their numbers."""
    edges = np.flatnonzero(np.diff(np.r_[False, marked, False].astype(np.int8)))
    return tuple((int(numbers[a]), int(numbers[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True))
