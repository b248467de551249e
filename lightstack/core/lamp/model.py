"""A point lamp in a set of unknown shape: what it lights, and the two halves of solving for both.

The set is a few hundred patches, each on a known ray from the camera. A lamp at p lights the patch at X with

    facing . (p - X) / |p - X|^3  +  bounce / (|p - X|^2 + 1),

where ``facing`` is the patch's normal times its albedo and the second part stands for light by way of the other walls.
All is compared as logarithms over a floor of noise, so that a dim corner tells as much as a bright wall; shadows and
glints are outliers that lose their say (Cauchy weights). Lengths are in units of the set's mean distance.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OUTLIER = 0.5  # natural logarithm: beyond such a factor a patch loses its say
SOFT = 1e-3  # square of the least distance between lamp and set
NEAREST, FARTHEST = 0.2, 4.0  # distances that a patch may have
RIDGE = 2.5e-5
GAIN_PRIOR = 0.02  # weight, as a share of all patches, of "the lamp is as bright on every frame"
DAMPING = 0.05
SMOOTH = 0.02  # weight of a lamp that moves evenly
ANCHOR = 1.0  # weight of a lamp that is in shot


@dataclass(frozen=True, slots=True)
class Shading:
    """Lamp light of n frames on P patches: ``light`` and ``weight`` (n, P), ``floor`` of noise, ``rays`` (P, 3)."""

    light: Array
    weight: Array
    floor: float
    rays: Array

    def pick(self, frames: NDArray) -> Shading:
        return replace(self, light=self.light[frames], weight=self.weight[frames])


@dataclass(frozen=True, slots=True)
class Patches:
    """``rays`` (P, 3) unit vectors, ``depth`` (P,) along them, ``facing`` (P, 3), ``bounce`` (P,)."""

    rays: Array
    depth: Array
    facing: Array
    bounce: Array

    @property
    def places(self) -> Array:
        return self.rays * self.depth[:, None]

    def pick(self, some: NDArray) -> Patches:
        return Patches(self.rays[some], self.depth[some], self.facing[some], self.bounce[some])


def look_along(size: tuple[int, int], tangent: float) -> Array:
    """Give the rays (h * w, 3) of a picture's pixels, unit length; ``tangent`` of half the horizontal angle of view."""
    height, width = size
    y, x = np.mgrid[:height, :width] + 0.5
    across = (2 * x / width - 1) * tangent
    down = (2 * y - height) / width * tangent
    rays = np.stack([across, down, np.ones(size)], axis=-1).reshape(-1, 3)
    return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))


def _reach(lamps: Array, places: Array) -> tuple[Array, Array]:
    """Vectors (n, P, 3) from the patches to the lamps, and their squared lengths."""
    towards = lamps[:, None] - places[None]
    return towards, np.einsum("npi,npi->np", towards, towards) + SOFT


def predict_light(lamps: Array, patches: Patches) -> Array:
    """Give the light (n, P) that lamps at (n, 3) throw on the patches."""
    towards, square = _reach(lamps, patches.places)
    direct = np.einsum("npi,pi->np", towards, patches.facing) * square**-1.5
    return np.asarray(np.maximum(direct, 0) + patches.bounce / (square + 1))


def compare_light(shading: Shading, predicted: Array) -> Array:
    """Give log(predicted / seen) (n, P), each frame's brightness of the lamp taken out as far as it is likely."""
    off = np.log((predicted + shading.floor) / (np.maximum(shading.light, 0) + shading.floor))
    say = believe(off) * shading.weight
    gain = (say * off).sum(axis=1) / (say.sum(axis=1) + GAIN_PRIOR * shading.weight.sum(axis=1) + 1e-9)
    return np.asarray(off - gain[:, None])


def believe(off: Array) -> Array:
    """Weight of a patch that is off by a logarithm."""
    return np.asarray(1 / (1 + (off / OUTLIER) ** 2))


def misfit_of(off: Array) -> Array:
    """What a patch that is off adds to the sum that is made small."""
    return np.asarray(np.log1p((off / OUTLIER) ** 2) * OUTLIER**2)


def solve_patches(shading: Shading, lamps: Array, patches: Patches, steps: tuple[float, ...]) -> Patches:
    """Give better patches for known lamps: their distance among the present one times ``steps``, the rest by least
    squares, reweighted. A patch that none of it makes better stays."""
    off = compare_light(shading, predict_light(lamps, patches))
    best = (misfit_of(off) * shading.weight).sum(axis=0)
    found = patches
    for step in steps:
        depth = np.clip(patches.depth * step, NEAREST, FARTHEST)
        tried = _fit_patches(shading, lamps, replace(patches, depth=depth), off)
        error = (misfit_of(compare_light(shading, predict_light(lamps, tried))) * shading.weight).sum(axis=0)
        better = error < best
        best = np.where(better, error, best)
        found = Patches(
            patches.rays,
            np.where(better, tried.depth, found.depth),
            np.where(better[:, None], tried.facing, found.facing),
            np.where(better, tried.bounce, found.bounce),
        )
    return found


def _fit_patches(shading: Shading, lamps: Array, patches: Patches, off: Array) -> Patches:
    """Facing and bounce by two rounds of weighted least squares; errors count relative to the light that is there."""
    towards, square = _reach(lamps, patches.places)
    columns = np.concatenate([towards * (square**-1.5)[..., None], (1 / (square + 1))[..., None]], axis=-1)
    columns = np.ascontiguousarray(columns.transpose(1, 0, 2))  # (P, n, 4)
    seen = np.maximum(shading.light, 0)
    level = seen + shading.floor
    for _ in range(2):
        weight = (shading.weight * believe(off) / level**2).T
        weighted = columns * weight[..., None]
        normal = weighted.transpose(0, 2, 1) @ columns
        scale = np.trace(normal, axis1=1, axis2=2)[:, None, None]
        right = np.einsum("pni,np->pi", weighted, seen)
        solved = np.linalg.solve(normal + (RIDGE * scale + 1e-9) * np.eye(4), right[..., None])[..., 0]
        patches = replace(patches, facing=solved[:, :3], bounce=np.maximum(solved[:, 3], 0))
        predicted = predict_light(lamps, patches)
        off = compare_light(shading, predicted)
        level = 0.5 * (predicted + seen) + shading.floor
    return patches


def solve_lamps(
    shading: Shading, lamps: Array, patches: Patches, anchors: Array, follows: NDArray[np.bool_]
) -> tuple[Array, float]:
    """Take one damped Gauss-Newton step of all lamps (n, 3) for known patches; give them and the misfit before it.

    ``anchors``: (n, 2) tangents (x / z, y / z) where the lamp is in shot, else NaN. ``follows``: (n,) the frame before
    and after were taken right beside this one, so that the lamp moves evenly.
    """
    towards, square = _reach(lamps, patches.places)
    dot = np.einsum("npi,pi->np", towards, patches.facing)
    near = 1 / (square + 1)
    predicted = np.maximum(dot, 0) * square**-1.5 + patches.bounce * near
    off = compare_light(shading, predicted)
    slope = (3 * np.maximum(dot, 0) * square**-2.5 + 2 * patches.bounce * near**2)[..., None] * -towards
    slope += np.where(dot > 0, square**-1.5, 0)[..., None] * patches.facing
    slope /= (predicted + shading.floor)[..., None]
    weighted = slope * (shading.weight * believe(off))[..., None]
    blocks = weighted.transpose(0, 2, 1) @ slope
    right = -np.einsum("npi,np->ni", weighted, off)
    scale = float(np.median(np.trace(blocks, axis1=1, axis2=2)))
    blocks += (DAMPING * np.trace(blocks, axis1=1, axis2=2)[:, None, None] + 1e-6) * np.eye(3)
    _add_anchors(blocks, right, lamps, anchors, ANCHOR * scale)
    step = _solve_smooth(blocks, right, lamps, follows, SMOOTH * scale)
    length = np.linalg.norm(step, axis=1, keepdims=True)
    step *= np.minimum(1, 0.3 / np.maximum(length, 1e-9))  # the model bends: no leaps
    return lamps + step, float((misfit_of(off) * shading.weight).sum())


def _add_anchors(blocks: Array, right: Array, lamps: Array, anchors: Array, weight: float) -> None:
    """Add (x - u z, y - v z) / z = 0 for frames with the lamp in shot, in place."""
    for k in np.flatnonzero(np.isfinite(anchors[:, 0])):
        depth = max(float(lamps[k, 2]), 0.1)
        for axis in (0, 1):
            row = np.zeros(3)
            row[axis], row[2] = 1 / depth, -anchors[k, axis] / depth
            blocks[k] += weight * np.outer(row, row)
            right[k] -= weight * row * float(row @ lamps[k])


def _solve_smooth(blocks: Array, right: Array, lamps: Array, follows: NDArray[np.bool_], weight: float) -> Array:
    """Solve the frames' blocks together with second differences over time, (n, 3); each by itself where none follows
    another, so that any number of frames can be placed."""
    if not follows[1:-1].any():
        return np.asarray(np.linalg.solve(blocks, right[..., None])[..., 0])
    count = len(blocks)
    second = np.zeros((count, count))
    for k in (np.flatnonzero(follows[1:-1]) + 1).tolist():
        second[k, k - 1 : k + 2] = 1, -2, 1
    smooth = weight * second.T @ second
    whole = np.kron(smooth, np.eye(3))
    for k in range(count):
        whole[3 * k : 3 * k + 3, 3 * k : 3 * k + 3] += blocks[k]
    return np.asarray(np.linalg.solve(whole, (right - smooth @ lamps).ravel()).reshape(count, 3))
