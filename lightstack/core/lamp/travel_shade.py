"""How a lamp still changes while its lamp moves on: the smooth part of its shading, from the set that the map knows.

Stills stand half a step and more from where a travelling light is; beside the sweep's way there is none at all. What
changes most on the way there is smooth: how far each surface is, and how it faces. That part is known for any place, so
every still is brought to the light's place by a ratio before it is blended. Textures, edges and shadows stay its own.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.lamp.model import Patches, predict_light
from lightstack.core.lay.patch import carry_inwards
from lightstack.records import LitSet

SHARPNESS = -0.75  # of the cubic: its slope at the neighbouring sample
MOST_STOPS = 2.0  # what lies beyond is more likely a surface that was found wrong


def shift_light(lit_set: LitSet, stills: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float32]:
    """Give the stops by which the light of lamps at ``stills`` (K, 3) of the map changes on its way to ``place`` (3,).

    Returns (K, h, w) fields of the small picture, carried on to patches that are not known; enlarge them with
    ``enlarge_stops``. They change smoothly with the place.
    """
    patches = Patches(lit_set.rays, lit_set.depth, lit_set.facing, lit_set.bounce)
    there, here = predict_light(np.asarray(place)[None], patches), predict_light(np.asarray(stills), patches)
    stops = np.log2((there + lit_set.floor) / (here + lit_set.floor))
    stops = MOST_STOPS * np.tanh(stops / MOST_STOPS)
    field = np.zeros((*lit_set.used.shape, len(stills)), np.float32)
    field[lit_set.used] = stops.T
    return np.ascontiguousarray(np.moveaxis(carry_inwards(field, lit_set.used), -1, 0))


def enlarge_stops(
    stops: NDArray[np.float32], size: tuple[int, int], rows: slice = slice(None)
) -> NDArray[np.float32]:
    """Enlarge a field (h, w) to the rows of a full-size picture (H, W), smoothly: by cubic convolution, its border
    carried on.

    References: Keys 1981, "Cubic convolution interpolation for digital image processing", IEEE Trans. ASSP 29.
    """
    first, last, _ = rows.indices(size[0])
    across, down = find_taps(stops.shape[1], size[1], 0, size[1]), find_taps(stops.shape[0], size[0], first, last)
    out = np.empty((last - first, size[1]), np.float32)
    _enlarge(np.ascontiguousarray(stops, np.float32), *across, *down, out)
    return out


def find_taps(count: int, wanted: int, first: int, last: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Give which 4 of ``count`` samples make each of the samples ``first`` to ``last`` of ``wanted``, and how much of
    each, both (last - first, 4); sample centres at .5."""
    at = (np.arange(first, last) + 0.5) * (count / wanted) - 0.5
    base = np.floor(at)
    near = np.abs(at[:, None] - (base[:, None] + np.arange(-1, 3)))
    inner = ((SHARPNESS + 2) * near - (SHARPNESS + 3)) * near**2 + 1
    outer = SHARPNESS * (((near - 5) * near + 8) * near - 4)
    index = np.clip(base[:, None] + np.arange(-1, 3), 0, count - 1).astype(np.int64)
    return index, np.where(near <= 1, inner, outer).astype(np.float32)


@compile_loop()
def _enlarge(field, columns, shares, lines, parts, out):  # type: ignore[no-untyped-def]
    """Sum four by four samples of ``field``; rows first, each of them once."""
    wide, made = np.empty((field.shape[0], out.shape[1]), np.float32), np.zeros(field.shape[0], np.bool_)
    for y in range(out.shape[0]):
        for tap in range(4):
            row = lines[y, tap]
            if not made[row]:
                made[row] = True
                for x in range(out.shape[1]):
                    total = np.float32(0)
                    for k in range(4):
                        total += shares[x, k] * field[row, columns[x, k]]
                    wide[row, x] = total
        above, upper, lower, below = wide[lines[y, 0]], wide[lines[y, 1]], wide[lines[y, 2]], wide[lines[y, 3]]
        a, b, c, d = parts[y, 0], parts[y, 1], parts[y, 2], parts[y, 3]
        for x in range(out.shape[1]):
            out[y, x] = a * above[x] + b * upper[x] + c * lower[x] + d * below[x]
