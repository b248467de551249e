"""Where the lamp itself shows in a sweep's frames."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import only_numbers
from lightstack.core.sweep.finder import LAMP
from lightstack.records import FloatArray

CANDIDATES = 2  # spots kept for each frame: the lamp, and a mirror's picture of it
CORE, SKIRT = 0.9, 0.5  # of the spot's brightest level: surely the lamp, and where its blurred edge begins
BORDER_PX = 1  # a core that touches the picture's border is cut off: its middle is not known
LEAST_CORE = 2  # pixels


def find_in_shot(
    light: Sequence[NDArray] | NDArray, flags: NDArray[np.uint8], ambient: FloatArray, *, factor: int = 1
) -> NDArray[np.float64]:
    """Find the lamp in every frame, ``(n, 2, 3)``: x, y and radius in full-size pixels; NaN where there is none.

    ``light``: (n, h, w, 3) registered frames minus ``ambient`` (h, w, 3), read frame by frame. ``flags``: (n, h, w) of
    ``blockers.find_blockers``. ``factor``: full-size pixels per small one. Two spots a frame, the larger core first:
    a mirror shows the lamp too, which only ``lamp_map.map_lamps`` can tell apart, by where the light falls.

    Notes: a lamp cut off by the picture's border has no middle that could be seen and counts as not in shot.
    """
    found = np.full((len(flags), CANDIDATES, 3), np.nan)
    for k in range(len(flags)):
        lamp = ((flags[k] & LAMP) > 0).astype(np.uint8)
        if lamp.any():
            spots = find_spots(only_numbers(light[k]) + ambient, lamp)
            for place, spot in enumerate(spots[:CANDIDATES]):
                found[k, place] = np.multiply(spot, factor)
    return found


def find_spots(frame: FloatArray, lamp: NDArray[np.uint8]) -> list[tuple[float, float, float]]:
    """Find the middles (x, y) and radii of the saturated cores inside ``lamp`` (h, w) 0 or 1, the largest first.

    ``frame``: (h, w, 3) as filmed. The middle is that of the core and its blurred edge, so it lies between pixels.
    """
    frame = np.asarray(frame, np.float32)
    level = np.minimum(np.minimum(frame[..., 0], frame[..., 1]), frame[..., 2])  # a reduction over three is slow
    count, labels = cv2.connectedComponents(lamp)
    spots: list[tuple[float, float, float]] = []
    for i in range(1, count):
        inside = np.where(labels == i, level, 0)
        top = float(inside.max())
        core = inside >= CORE * top
        if top <= 0 or core.sum() < LEAST_CORE or _touches_border(core):
            continue
        weight = np.clip((inside / top - SKIRT) / (CORE - SKIRT), 0, 1)
        ys, xs = np.nonzero(weight)
        share = weight[ys, xs] / weight.sum()
        radius = float(np.sqrt(core.sum() / np.pi))
        spots.append((float(share @ (xs + 0.5)), float(share @ (ys + 0.5)), radius))
    return sorted(spots, key=lambda spot: -spot[2])


def _touches_border(core: NDArray[np.bool_]) -> bool:
    inner = np.zeros_like(core)
    inner[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
    return bool((core & ~inner).any())
