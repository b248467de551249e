"""How much of a picture lies beyond its primaries: the sign of footage that was named wrongly."""

from __future__ import annotations

import numpy as np

from lightstack.records import FloatArray, NoiseModel

__all__ = ["MUCH_BEYOND", "share_beyond"]

BEYOND = 0.05  # of the brightest channel: a channel so far below zero is no noise and no veil
SURE_SIGMA = 3.0
MUCH_BEYOND = 0.01  # of the picture


def share_beyond(picture: FloatArray, *, noise: NoiseModel) -> float:
    """Return the share of pixels with a channel clearly below zero; ``picture`` (h, w, 3) linear.

    Notes: linear light of real surfaces is negative only where a colour lies outside the triangle of the primaries.
    """
    limit = SURE_SIGMA * noise.sigma(np.maximum(picture, 0)) + BEYOND * np.maximum(picture.max(axis=-1), 0)[..., None]
    return float(np.mean((picture < -limit).any(axis=-1)))
