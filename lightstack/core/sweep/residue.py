"""What a plate holds where the lamp never shone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Residue", "floor_residue", "measure_residue"]


@dataclass(frozen=True, slots=True)
class Residue:
    """``share`` of the picture that is unlit, and the plate's mean and deviation per channel there."""

    share: float
    mean: tuple[float, ...]
    deviation: tuple[float, ...]


def floor_residue(plate: NDArray, peak: NDArray, *, floor_sigma: float) -> NDArray[np.float32]:
    """Roll what is left where nothing was lit smoothly to zero.

    ``plate``: ``(H, W, 3)`` linear. ``peak``: ``(H, W, G)`` the state's largest guide, in sigma of one frame.
    ``floor_sigma``: light of this many sigma and more is kept whole, none is kept at half of it and less;
    0 returns the plate as it is.
    """
    if floor_sigma <= 0:
        return np.asarray(plate, np.float32)
    strongest = peak if peak.ndim == 2 else peak.max(axis=2)
    t = np.clip(2 * strongest / floor_sigma - 1, 0, 1)[..., None]
    return np.asarray(plate * t * t * (3 - 2 * t), np.float32)


def measure_residue(plate: NDArray, reached: NDArray) -> Residue:
    """Measure what the plate holds where the lamp never shone.

    ``plate``: ``(H, W, 3)`` linear. ``reached``: ``(H, W)`` bool.
    """
    dark = np.asarray(plate, np.float64)[~np.asarray(reached, bool)]
    if not len(dark):
        return Residue(share=0.0, mean=(0.0, 0.0, 0.0), deviation=(0.0, 0.0, 0.0))
    mean, deviation = dark.mean(axis=0).tolist(), dark.std(axis=0).tolist()
    return Residue(share=len(dark) / reached.size, mean=tuple(mean), deviation=tuple(deviation))
