"""What stays still from frame to frame: frames averaged there, so that nothing boils."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import mean_channels
from lightstack.records import FloatArray, NoiseModel

__all__ = ["average_still", "mark_still"]

STILL, MOVED = 1.6, 2.6  # mean square difference over that of two frames' noise
LEAST_ERROR = 0.006  # of the level: a codec's steps from frame to frame


def mark_still(frame: FloatArray, other: FloatArray, noise: NoiseModel, *, side: int = 5) -> NDArray[np.float32]:
    """How surely two frames ``(h, w, 3)`` show the same at each place, (h, w) 0..1."""
    level = 0.5 * (frame + other)
    sigma = noise.sigma(level)
    change = (frame - other) ** 2 / (2 * sigma**2 + (LEAST_ERROR * level) ** 2)
    box = mean_channels(cv2.blur(change, (side, side), borderType=cv2.BORDER_REPLICATE))
    return np.asarray(np.clip((MOVED - box) / (MOVED - STILL), 0, 1), np.float32)


def average_still(
    frames: Sequence[FloatArray], centre: int, noise: NoiseModel, *, side: int = 5
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Average a frame with its neighbours where they show the same.

    ``frames``: consecutive, each ``(h, w, 3)``; ``centre``: which of them. Returns the mean ``(h, w, 3)`` and the
    share of one frame's noise variance that is left, (h, w): 1 where everything moves, 1 / n where nothing does.
    """
    own = np.asarray(frames[centre], np.float32)
    total, mass, square = own.copy(), np.ones(own.shape[:2], np.float32), np.ones(own.shape[:2], np.float32)
    for k, other in enumerate(frames):
        if k == centre:
            continue
        other = np.asarray(other, np.float32)
        weight = mark_still(own, other, noise, side=side)
        total += weight[..., None] * other
        mass += weight
        square += weight**2
    return total / mass[..., None], square / mass**2
