"""A first guess of where the lamp was: the set taken for a plain box, and the best way of the lamp through it.

Solving for lamps and set in turn only ever improves what it starts from. A box with a floor, a ceiling, two sides and a
back is wrong in all details and right enough in what matters: which way surfaces face, and that near lamps light
little of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.model import OUTLIER, Array, Patches, Shading, compare_light, misfit_of, predict_light

BOUNCE = 0.3  # of a patch's light by way of the others, as long as nothing better is known
ROUNDS = 6
PATCHES = 160  # that the search looks at
STEP_COST = 1.0  # of a step of one unit between two frames, squared
OFF_RAY, OFF_RAY_MOST = 0.15, 9.0  # tangents; misfits
JUST_BEFORE = 0.05  # the least distance before the camera of a lamp in shot


@dataclass(frozen=True, slots=True)
class Box:
    """Half the width, height above and below the camera; the back wall stands 1 ahead."""

    side: float
    above: float
    below: float


BOXES = (Box(0.45, 0.25, 0.30), Box(0.60, 0.35, 0.35), Box(0.35, 0.30, 0.30))
WIDE = Box(0.60, 0.40, 0.45)


def stand_in_box(rays: Array, box: Box) -> Patches:
    """Give patches (P) on the inside of a box, ``facing`` of unit length."""
    along = np.maximum(np.abs(rays), 1e-6)
    walls = np.stack([np.full(len(rays), box.side), np.where(rays[:, 1] < 0, box.above, box.below), np.ones(len(rays))])
    distance = walls / along.T
    distance[2, rays[:, 2] <= 0] = np.inf
    first = distance.argmin(axis=0)
    facing = np.zeros_like(rays)
    index = np.arange(len(rays))
    facing[index, first] = -np.sign(rays[index, first])
    return Patches(rays, distance.min(axis=0), facing, np.full(len(rays), BOUNCE))


def fill_box(box: Box, *, reach: float = 0.92) -> Array:
    """Give places (G, 3) all over a box, from behind the camera to the back wall."""
    across = np.linspace(-0.9 * box.side, 0.9 * box.side, 8)
    down = np.linspace(-0.85 * box.above, 0.85 * box.below, 5)
    ahead = np.linspace(-0.35, reach, 9)
    return np.stack(np.meshgrid(across, down, ahead, indexing="ij"), axis=-1).reshape(-1, 3)


def search_costs(shading: Shading, patches: Patches, grid: Array, anchors: Array) -> Array:
    """Give how badly each place of a grid explains each frame, (n, G), mean misfit of a patch."""
    predicted = predict_light(grid, patches)
    cost = np.empty((len(shading.light), len(grid)))
    for k in range(len(cost)):
        frame = Shading(
            np.broadcast_to(shading.light[k], predicted.shape),
            np.broadcast_to(shading.weight[k], predicted.shape),
            shading.floor,
            shading.rays,
        )
        off = compare_light(frame, predicted)
        cost[k] = misfit_of(off) @ shading.weight[k] / max(float(shading.weight[k].sum()), 1e-9)
    return cost / OUTLIER**2 + _off_rays(grid, anchors)


def _off_rays(grid: Array, anchors: Array) -> Array:
    """What places off the ray of a lamp in shot cost more, (n, G)."""
    shown = grid[:, :2] / np.maximum(grid[:, 2:], JUST_BEFORE)
    square = ((shown[None] - anchors[:, None]) ** 2).sum(axis=2) / OFF_RAY**2
    cost = np.minimum(square, OFF_RAY_MOST) + OFF_RAY_MOST * (grid[:, 2] < JUST_BEFORE)
    return np.asarray(np.where(np.isfinite(square), cost, 0))


def find_way(cost: Array, grid: Array, follows: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Give the way through a grid, (n,) indices, with the least sum of costs and squared steps (dynamic programming).

    ``follows``: (n,); a frame that does not follow the one before it may be anywhere.
    """
    steps = STEP_COST * ((grid[:, None] - grid[None]) ** 2).sum(axis=2)
    total, before = cost[0].copy(), []
    for k in range(1, len(cost)):
        reached = total[:, None] + steps * (follows[k] or follows[k - 1])
        before.append(reached.argmin(axis=0))
        total = reached.min(axis=0) + cost[k]
    way = [int(total.argmin())]
    for back in before[::-1]:
        way.append(int(back[way[-1]]))
    return np.array(way[::-1], np.int64)


def guess_in_box(
    shading: Shading, box: Box, anchors: Array, follows: NDArray[np.bool_], some: NDArray[np.int64]
) -> tuple[Array, Patches]:
    """Guess lamps (n, 3) and patches; albedos are found in turn with the lamps. ``some``: patches to search by."""
    plain, grid = stand_in_box(shading.rays, box), fill_box(box)
    usual = np.log(predict_light(grid, plain) + 1e-3).mean(axis=0)
    seen = np.log(np.maximum(shading.light, 0) + shading.floor)
    level = np.average(seen, axis=0, weights=shading.weight + 1e-9) - usual
    lamps = np.zeros((len(shading.light), 3))
    for _ in range(ROUNDS):
        patches = Patches(plain.rays, plain.depth, plain.facing * np.exp(level)[:, None], plain.bounce * np.exp(level))
        lamps = search_lamps(shading, patches, grid, anchors, follows, some)
        off = compare_light(shading, predict_light(lamps, patches))
        say = shading.weight / (1 + (off / 0.7) ** 2)
        level -= np.clip((say * off).sum(axis=0) / np.maximum(say.sum(axis=0), 1e-9), -1, 1)
    return lamps, patches


def search_lamps(
    shading: Shading, patches: Patches, grid: Array, anchors: Array, follows: NDArray[np.bool_], some: NDArray[np.int64]
) -> Array:
    """Give the best way of the lamp through a grid, (n, 3)."""
    few = Shading(shading.light[:, some], shading.weight[:, some], shading.floor, shading.rays[some])
    cost = search_costs(few, patches.pick(some), grid, anchors)
    return np.asarray(grid[find_way(cost, grid, follows)])


def escape(
    shading: Shading, lamps: Array, patches: Patches, anchors: Array, follows: NDArray[np.bool_],
    some: NDArray[np.int64],
) -> Array:  # fmt: skip
    """Move those lamps that the search finds a clearly better place for, (n, 3): out of dead ends."""
    found = search_lamps(shading, patches, fill_box(WIDE, reach=1.0), anchors, follows, some)
    few = Shading(shading.light[:, some], shading.weight[:, some], shading.floor, shading.rays[some])
    errors = []
    for some_lamps in (lamps, found):
        off = compare_light(few, predict_light(some_lamps, patches.pick(some)))
        errors.append((misfit_of(off) * few.weight).sum(axis=1) / np.maximum(few.weight.sum(axis=1), 1e-9))
    better = errors[1] < errors[0] - 0.01 * OUTLIER**2
    return np.where(better[:, None], found, lamps)
