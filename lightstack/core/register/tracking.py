"""A take followed frame by frame.

Everything here counts in proxy pixels. A *base* is the pose of the template that a frame was compared with.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.align import align_luma, texture_of
from lightstack.core.register.poses import (
    CellGrid,
    MoveFit,
    Template,
    apply_move,
    corner_spread_px,
    cut_grid,
    fit_move,
    make_template,
    read_move,
    tally_frame,
)
from lightstack.core.register.texture import mean_luma
from lightstack.core.warp import corner_shift_px
from lightstack.records import BoolArray, FloatArray, NoiseModel

T = TypeVar("T")

__all__ = [
    "Footage",
    "Tallies",
    "mean_frames",
    "mean_views",
    "scan_take",
    "tally_take",
]

_WORKERS = 2  # threads; what follows a texture runs in one
_NEAR_PX = 0.3  # a Gauss-Newton step is good to a few percent of its length


def _make_ahead(make: Callable[[int], T], indices: Iterable[int]) -> Iterator[T]:
    """Give ``make(index)`` in order, a few made ahead in threads."""
    waiting: deque[Future[T]] = deque()
    with ThreadPoolExecutor(_WORKERS) as pool:
        for index in indices:
            waiting.append(pool.submit(make, index))
            if len(waiting) > 2 * _WORKERS:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


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

    def lumas(self, indices: Iterable[int]) -> Iterator[FloatArray]:
        """Give the lumas of several frames, made ahead in threads."""
        return _make_ahead(self.luma, indices)

    def textures(self, indices: Iterable[int]) -> Iterator[FloatArray]:
        """Give the textures of several frames, made ahead in threads."""
        return _make_ahead(self.texture, indices)

    def views(self, indices: Iterable[int]) -> Iterator[tuple[FloatArray, FloatArray]]:
        """Give luma and texture of several frames, made ahead in threads."""

        def look(index: int) -> tuple[FloatArray, FloatArray]:
            luma = self.luma(index)
            return luma, texture_of(luma, noise=self.noise)

        return _make_ahead(look, indices)

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


def mean_frames(footage: Footage, indices: Sequence[int]) -> FloatArray:
    """Average the lumas of frames that share pose and light, ``(h, w)`` float32."""
    return _average((luma,) for luma in footage.lumas(indices))[0]


def mean_views(footage: Footage, indices: Sequence[int]) -> tuple[FloatArray, FloatArray]:
    """Average the lumas and the textures of frames that share pose and light, each ``(h, w)`` float32."""
    luma, texture = _average(footage.views(indices))
    return luma, texture


def _average(views: Iterable[tuple[FloatArray, ...]]) -> list[FloatArray]:
    """Average pictures of the same kind over views of one or more kinds; there must be a view."""
    totals: list[NDArray[np.float64]] = []
    count = 0
    for pictures in views:
        totals = totals or [np.zeros(picture.shape) for picture in pictures]
        for total, picture in zip(totals, pictures, strict=True):
            total += picture
        count += 1
    return [(total / count).astype(np.float32) for total in totals]


def scan_take(footage: Footage, first: Sequence[int]) -> Tallies:
    """Follow a take against the mean of its frames ``first``, moving the template only when a frame did."""
    luma = mean_frames(footage, first)
    grid = cut_grid(luma.shape)
    shelf = _Shelf([texture_of(luma, noise=footage.noise, averaged=len(first))], grid)
    pose = np.eye(3)
    rows = []
    agreed: deque[float] = deque(maxlen=15)
    rest, pause = 0, 1  # frames until the next look at the whole picture, doubled by every vain one
    for index, (light, texture) in enumerate(footage.views(range(footage.count))):
        mask = footage.mask(index)
        base, tally, fit = _follow(shelf, texture, mask, pose)
        rest -= 1
        if rest <= 0 and _is_lost(fit, grid, agreed):
            # A knock of many pixels, or a covered picture: believe only what agrees clearly better.
            found = align_luma(luma, light, noise=footage.noise, mask=mask, averaged=(len(first), 1))
            tried = _follow(shelf, texture, mask, found.pose)
            if found.converged and tried[2].agreement > fit.agreement + 0.05:
                base, tally, fit = tried
                pause = 1
            else:
                rest, pause = pause, min(2 * pause, 16)
        elif not _is_lost(fit, grid, agreed):
            agreed.append(fit.agreement)
        if _is_near(fit, grid):
            pose = base
        rows.append((base, tally, fit))
    return _gather(rows, grid, np.zeros(footage.count, np.int64))


def _is_lost(fit: MoveFit, grid: CellGrid, agreed: deque[float]) -> bool:
    """Tell whether a frame agrees far less than those before it, or is far off."""
    usual = float(np.median(agreed)) if agreed else 0.5
    return fit.agreement < 0.7 * usual or not _is_near(fit, grid)


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
    textures_ahead = footage.textures(sorted(chosen))
    for index in range(footage.count):
        if index in chosen:
            template = shelf.template(int(kind[index]), bases[index], footage.mask(index))
            tally = tally_frame(next(textures_ahead), template)
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
