"""The veil that a lens spreads round a lamp in shot."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

RING_PX = 2.0
REACH_RADII, REACH_PX = 5.0, 6.0  # how far a veil is looked for: so many radii of the lamp, and so many pixels more
DARKEST = 10.0  # percentile of a ring: the darkest things round a lamp, its carrier's arm among them
VEIL_SHARE = 0.6  # of a ring's median light that even its darkest places have
SMALLEST_LAMP = 12  # pixels


def find_veil(
    cores: NDArray[np.uint8], peak: NDArray[np.float32], floor: NDArray[np.float32]
) -> NDArray[np.uint8]:
    """Find where a lamp's veil outshines the set, ``(h, w)`` 0 or 1, the lamp itself included.

    ``cores``: ``(h, w)`` 0 or 1, the saturated lamp. ``peak``: brightest channel of the lamp light. ``floor``: level
    under which nothing can be told.

    Notes: light on the set leaves shadows and dark things dark, a veil lies over all alike: ring by ring outwards,
    even the darkest tenth must have most of the median's light. A lamp before a bare, evenly lit wall with nothing
    dark round it looks the same and is taken for veiled.

    References: ISO 9358:1994, veiling glare of image-forming systems: light in the image of a black patch.
    """
    veil = np.zeros_like(cores)
    if not cores.any():
        return veil
    count, labels, stats, centres = cv2.connectedComponentsWithStats(cores)
    ys, xs = np.mgrid[0 : cores.shape[0], 0 : cores.shape[1]].astype(np.float32)
    for i in range(1, count):
        if stats[i, cv2.CC_STAT_AREA] < SMALLEST_LAMP:
            continue
        distance = np.hypot(xs - centres[i][0], ys - centres[i][1])
        edge = float(distance[labels == i].max()) + 1.5
        radius = _veil_radius(distance, edge, np.where(cores > 0, np.nan, peak), floor)
        if radius > edge:
            veil[distance < radius] = 1
    return veil


def _veil_radius(
    distance: NDArray[np.floating], edge: float, peak: NDArray[np.floating], floor: NDArray[np.float32]
) -> float:
    """How far out every ring is lifted as a whole; ``edge`` where not even the first one is."""
    radius = edge
    while radius < REACH_RADII * edge + REACH_PX:
        ring = (distance >= radius) & (distance < radius + RING_PX)
        values = peak[ring]
        values = values[np.isfinite(values)]
        if len(values) < 12:
            break
        darkest, middle = np.percentile(values, [DARKEST, 50])
        if darkest < VEIL_SHARE * middle or darkest < 3 * float(np.median(floor[ring])):
            break
        radius += RING_PX
    return radius
