"""From places of the lamp map to the picture, and back: x, y in full-size pixels, and nearness.

A lamp behind the camera has no place in the picture, and one beside it none that is near. Up to ``FLAT_DEPTH`` ahead
the map is therefore shown as if it lay that far ahead: whatever is left of the camera shows left in the picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import LampView

FLAT_DEPTH = 0.35


def nearness_of(places: NDArray[np.float64], view: LampView) -> NDArray[np.float64]:
    """Give how near places (..., 3) of the map are to the camera, (...): 1 nearest, 0 farthest of those visited."""
    span = max(view.far_depth - view.near_depth, 1e-9)
    return np.asarray((view.far_depth - places[..., 2]) / span)


def show_in_picture(places: NDArray[np.float64], view: LampView) -> NDArray[np.float64]:
    """Give x, y (full-size pixels, centres at .5) and nearness of places (..., 3) of the map, (..., 3)."""
    height, width = view.size
    scale = width / 2 / view.tangent / np.maximum(places[..., 2], FLAT_DEPTH)
    x, y = width / 2 + scale * places[..., 0], height / 2 + scale * places[..., 1]
    return np.stack([x, y, nearness_of(places, view)], axis=-1)


def find_on_map(shown: NDArray[np.float64], view: LampView) -> NDArray[np.float64]:
    """Invert ``show_in_picture``: (..., 3) x, y and nearness to places of the map."""
    height, width = view.size
    depth = view.far_depth - shown[..., 2] * (view.far_depth - view.near_depth)
    scale = np.maximum(depth, FLAT_DEPTH) * 2 * view.tangent / width
    x, y = (shown[..., 0] - width / 2) * scale, (shown[..., 1] - height / 2) * scale
    return np.stack([x, y, depth], axis=-1)
