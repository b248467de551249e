"""What a hand-over knows of a light beside its mix: where its lamp is seen, and which stills it is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LampPath", "LightExtras", "StillWeights"]


@dataclass(frozen=True, slots=True, eq=False)
class LampPath:
    """Where a light is in the picture: ``frames`` (n,) ascending shot frames, ``pixels`` (n, 2) x and y."""

    frames: NDArray[np.int64]
    pixels: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class StillWeights:
    """How much of every lamp still a light is made of: ``frames`` (n,) shot frames, ``source_frames`` (k,) of the
    stills, ``weights`` (n, k). What is laid on a frame is the weighted sum of the stills, times the mix."""

    frames: NDArray[np.int64]
    source_frames: tuple[int, ...]
    weights: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LightExtras:
    """What only some lights have: a path in the picture, and weights of stills."""

    path: LampPath | None = None
    weights: StillWeights | None = None
