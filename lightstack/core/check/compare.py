"""Two pictures of the same still room: how their exposure and white differ."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FloatArray, NoiseModel

__all__ = ["compare_exposure"]

SURE_SIGMA = 5.0  # pixels dimmer than this say nothing of a ratio
LEAST_SHARE = 0.01  # of the picture that must be bright enough


def compare_exposure(picture: FloatArray, other: FloatArray, *, noise: NoiseModel) -> NDArray[np.float64]:
    """Return by how many stops ``picture`` is brighter than ``other`` per channel, (3,) float64.

    ``picture``, ``other``: (h, w, 3) linear, registered. ``noise``: of a single frame at that size. The median over
    pixels keeps what was moved or lit differently in less than half of the room out of it. NaN for a channel in
    which less than 1 % of the picture stands above 5 sigma in both.

    References: an exposure stop is a factor of two in light (ISO 2720:1974).
    """
    sigma = noise.sigma(np.maximum(other, 0))
    bright = (picture > SURE_SIGMA * sigma) & (other > SURE_SIGMA * sigma)
    stops = np.full(3, np.nan)
    for c in range(3):
        usable = bright[..., c]
        if usable.mean() >= LEAST_SHARE:
            stops[c] = np.median(np.log2(picture[..., c][usable] / other[..., c][usable]))
    return stops
