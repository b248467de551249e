"""A level over time that a mix follows: what is kept of it between two builds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FollowedLevel"]


@dataclass(frozen=True, slots=True)
class FollowedLevel:
    """Levels as measured: ``levels[i]`` at shot frame ``begin + i * step``, float64, >= 0 for light of a camera.

    ``warnings``: what was found out while reading.
    """

    begin: float
    step: float
    levels: NDArray[np.float64]
    warnings: tuple[str, ...] = ()
