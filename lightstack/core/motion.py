"""How far the lamp's light edges move from frame to frame."""

from __future__ import annotations

import numpy as np

from lightstack.records import FloatArray

EDGE_SLOPE = 0.06  # change of shade per pixel from which an edge of light counts


def measure_smear(before: FloatArray, now: FloatArray, after: FloatArray) -> float:
    """Measure how far light edges move in one frame interval, in pixels of the pictures given.

    The pictures are shades, ``(h, w)``, 0..1: lamp light over the most that each pixel ever gets, so that the
    texture of the set has gone and edges are edges of light.

    Returns 0 where there are no edges.

    Notes: normal flow, (change over time) * slope / slope^2, robustly averaged; an edge that jumps further
    than its own width is underestimated.

    References: Horn & Schunck, Determining optical flow, Artificial Intelligence 17, 1981, eq. 1 (the
    constraint).
    """
    gy, gx = np.gradient(now)
    slope = np.hypot(gx, gy)
    edge = slope > EDGE_SLOPE
    if edge.sum() < 20:
        return 0.0
    change = 0.5 * np.abs(after - before)
    speed = change[edge] / slope[edge]
    weight = slope[edge] ** 2
    order = np.argsort(speed)
    share = np.cumsum(weight[order])
    return float(speed[order][np.searchsorted(share, 0.5 * share[-1])])
