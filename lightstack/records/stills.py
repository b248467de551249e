"""What is known of a light stack's stills beside their light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records.measured import NoiseModel

__all__ = ["GuideRecipe", "StillNotes"]


@dataclass(frozen=True, slots=True)
class GuideRecipe:
    """How a guide is made, and how noisy it comes out.

    ``a``, ``b``: the noise model (3,). ``projection``: (G, 3), stabilised channels to guide channels, G = 1
    or 3. ``wide_px``, ``fine_px``: standard deviations of the Gaussians, full-size pixels. ``half``: filtered
    at half size. ``spread``, ``spread_fine``: (G,) noise of the wide and of the fine guide in sigma of one
    frame. ``pull_wide``, ``pull_fine``: (G, 3) covariance of guide g with the noise of channel c at the same
    pixel, the latter in its own sigma.
    """

    a: NDArray[np.float32]
    b: NDArray[np.float32]
    projection: NDArray[np.float32]
    wide_px: float
    fine_px: float
    half: bool
    spread: NDArray[np.float32]
    pull_wide: NDArray[np.float32]
    pull_fine: NDArray[np.float32]
    spread_fine: NDArray[np.float32]

    @property
    def by(self) -> str:
        """How winners are found: whole pixels, or channel by channel."""
        return "brightest" if len(self.projection) == 1 else "channel"


@dataclass(frozen=True, slots=True)
class StillNotes:
    """What a light stack's stills are, in the order in which they are stored.

    ``source_frames`` (K,): where they come from. ``stretch`` (K,): number of the lamp-on stretch, from 1. ``gains``
    (K, 3): what their light was multiplied by. ``shares`` (K,): weights by which a pause of the lamp is no hot spot.
    ``noise``: of one full-size frame. ``file_starts``: frame at which each file of the take begins.
    """

    recipe: GuideRecipe
    noise: NoiseModel
    source_frames: NDArray[np.int64]
    stretch: NDArray[np.int64]
    gains: NDArray[np.float32]
    shares: NDArray[np.float64]
    file_starts: tuple[int, ...]
