"""What a take is compared with: the means of its own frames, and how those stand against the origin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.align import align_luma, align_texture, texture_of
from lightstack.core.register.poses import MODELS, CellGrid, apply_move, corner_spread_px, cut_grid, read_move
from lightstack.core.register.steps import batch_variance
from lightstack.core.register.tracking import Footage, mean_views
from lightstack.core.warp import warp_picture
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["Anchor", "Offset", "Origin", "average_anchor", "longest_dark", "measure_offset"]

_MEAN_OF = 96  # frames averaged into a reference texture; more add nothing

Pose = tuple[NDArray[np.float64], NDArray[np.float64]]  # matrix and covariance of its parameters


@dataclass(frozen=True)
class Origin:
    """The origin's picture, ``(h, w)`` luma, a mean of ``averaged`` frames."""

    luma: FloatArray
    averaged: int


@dataclass(frozen=True)
class Anchor:
    """What the frames of a take are compared with: mean textures of its unlit and its lit frames,
    ``(h, w)``, and for each a mean luma with the number of frames in it."""

    textures: tuple[FloatArray, FloatArray]
    lumas: tuple[Origin, Origin]


@dataclass(frozen=True)
class Offset:
    """Origin -> anchor, proxy pixels. Where nothing matched: the identity, and ``matched`` is False."""

    pose: NDArray[np.float64]
    covariance: NDArray[np.float64]
    matched: bool


def longest_dark(dark: BoolArray) -> list[int]:
    """Return the longest run of lamp-off frames, or the first frames where there is none of five."""
    edges = np.flatnonzero(np.diff(np.r_[0, dark.astype(np.int8), 0]))
    runs = [(end - start, start) for start, end in zip(edges[::2], edges[1::2], strict=True)]
    length, start = max(runs, key=lambda run: (run[0], -run[1]), default=(0, 0))
    if length < 5:
        return list(range(min(len(dark), 12)))
    return list(range(start, start + min(length, 24)))


def _spread_out(indices: NDArray[np.int64]) -> list[int]:
    """Return at most ``_MEAN_OF`` indices, evenly spaced."""
    if len(indices) <= _MEAN_OF:
        return [int(i) for i in indices]
    return [int(i) for i in indices[np.linspace(0, len(indices) - 1, _MEAN_OF).round().astype(int)]]


def average_anchor(footage: Footage, inside: BoolArray, dark: BoolArray, path: FloatArray) -> Anchor:
    """Average the lamp-off frames ``inside`` a run and its lit ones, each for itself if there are enough.

    ``inside``, ``dark``: ``(n,)`` bool. ``path``: ``(n, 3)``, where each frame was seen to stand.
    """
    unlit = _spread_out(np.flatnonzero(inside & dark))
    shone = _spread_out(np.flatnonzero(inside & ~dark))
    if len(unlit) < 4 or len(shone) < 4:
        both = _spread_out(np.flatnonzero(inside))
        luma, texture = mean_views(footage, both)
        seen = Origin(luma, len(both))
        return Anchor((texture, texture), (seen, seen))
    (dark_luma, still), (lit_luma, lit) = mean_views(footage, unlit), mean_views(footage, shone)
    lumas = Origin(dark_luma, len(unlit)), Origin(lit_luma, len(shone))
    if _drifts(path[inside]):
        # The camera sags even here, so the two means stand apart: bring the lit one to the unlit one.
        apart = align_texture(still, lit, model="euclidean")
        if apart.converged:
            lit, _ = warp_picture(lit, apart.pose, interpolation="smooth8")
    return Anchor((still, lit), lumas)


def _drifts(path: FloatArray) -> bool:
    """Tell whether a straight line through a path climbs by more than the path wanders about it."""
    count = len(path)
    if count < 8:
        return False
    time = (np.arange(count) - (count - 1) / 2) / count
    climb = time @ (path - path.mean(0)) / (time @ time)
    # The error of a climb over the whole length is that of the mean times the square root of 12.
    error = np.sqrt(12 * batch_variance(path - time[:, None] * climb))
    return bool(np.any((np.abs(climb) > 0.08) & (np.abs(climb) > 3 * error)))


def measure_offset(origin: Origin | None, anchor: Anchor, noise: NoiseModel | None, model: str) -> Offset:
    """Measure how a take stands against the origin, by the means of its unlit and of its lit frames."""
    size = MODELS[model]
    nowhere = Offset(np.eye(3), np.zeros((size, size)), origin is None)
    start = None if origin is None else _find(origin, anchor, noise)
    if origin is None or start is None:
        return nowhere
    texture = texture_of(origin.luma, noise=noise, averaged=origin.averaged)
    votes = []
    for mine in anchor.textures:
        found = align_texture(texture, mine, model=model, start=start)
        if found.converged:
            votes.append((found.pose, found.fit.covariance))
    return _combine(votes, cut_grid(origin.luma.shape), size) if votes else nowhere


def _find(origin: Origin, anchor: Anchor, noise: NoiseModel | None) -> NDArray[np.float64] | None:
    """Return a first pose origin -> anchor, from whichever of the anchor's means shows the room."""
    for mean in anchor.lumas:
        found = align_luma(origin.luma, mean.luma, noise=noise, averaged=(origin.averaged, mean.averaged))
        if found.converged:
            return found.pose
    return None


def _combine(votes: Sequence[Pose], grid: CellGrid, size: int) -> Offset:
    """Average poses that lie close together, each weighed by its covariance.

    The votes share the origin's own light, so together they are no surer than the surest of them.
    """
    best = min(votes, key=lambda vote: corner_spread_px(vote[1], grid))
    total, pull = np.zeros((size, size)), np.zeros(size)
    for pose, covariance in votes:
        weight = np.linalg.inv(covariance + 1e-10 * np.eye(size))
        total += weight
        pull += weight @ read_move(pose @ np.linalg.inv(best[0]), grid, count=size)
    move = np.asarray(np.linalg.solve(total, pull), np.float64)
    return Offset(apply_move(best[0], -move, grid), best[1], True)
