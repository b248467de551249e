"""How a lamp still changes while its lamp moves on: the smooth part of its shading, from the set that the map knows.

Stills stand half a step and more from where a travelling light is; beside the sweep's way there is none at all. What
changes most on the way there is smooth: how far each surface is, and how it faces. That part is known for any place, so
every still is brought to the light's place by a ratio before it is blended. Textures, edges and shadows stay its own.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.model import Patches, predict_light
from lightstack.core.lay.patch import carry_inwards
from lightstack.records import LitSet

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
    """Enlarge a field (h, w) to the rows of a full-size picture (H, W), smoothly."""
    first, last, _ = rows.indices(size[0])
    height, width = stops.shape
    x = (np.arange(size[1], dtype=np.float32) + 0.5) * (width / size[1]) - 0.5
    y = (np.arange(first, last, dtype=np.float32) + 0.5) * (height / size[0]) - 0.5
    across, down = np.meshgrid(x, y)
    field = np.ascontiguousarray(stops, np.float32)
    large = cv2.remap(field, across, down, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(large, np.float32)
