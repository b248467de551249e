"""The light of a plate carried on past its seams, from what its stills tell of them."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import run_bands
from lightstack.core.sweep.seams import SeamTally, raise_rows, seam_step, shrink_still
from lightstack.files.called_off import go_on
from lightstack.files.kept.stack import BAND_ROWS, LightStack
from lightstack.files.processors import usable_processors
from lightstack.records import FloatArray, NoiseModel

__all__ = ["Carried", "carry_over_seams", "measure_sigma"]

TOLD_STOPS = 0.1  # less is not seen


@dataclass(frozen=True, slots=True)
class Carried:
    """How much of a plate was raised beside masks: ``share`` of the picture, by ``most_stops`` at the most."""

    share: float = 0.0
    most_stops: float = 0.0


def carry_over_seams(
    light: NDArray[np.float32],
    stack: LightStack,
    stills: Sequence[int],
    *,
    noise: NoiseModel,
    gains: FloatArray | None = None,
    threads: int = 0,
) -> Carried:
    """Carry a plate's light on past the masks of its stills, in place, and say how much that was.

    ``light``: (H, W, 3). ``stills``: those that the plate was made of, which are read once more. ``noise``: of one
    full-size frame; ``gains`` (n, 3): what each still was multiplied by. The result does not depend on ``threads`` (0 =
    all processors).
    """
    height, width = light.shape[:2]
    step = seam_step((height, width))
    size = (-(-height // step), -(-width // step))
    weights = weigh_plate(light)
    lit, trust = np.empty(size, np.float32), np.empty(size, np.float32)
    most = 1.0 if gains is None else float(np.max(np.asarray(gains)[list(stills)], initial=1.0))
    tally = SeamTally(size, most * measure_sigma(noise, weights) / step)

    def shrink(band: int, index: int) -> None:
        rows = slice(band * BAND_ROWS // step, -(-stack.rows_of(band).stop // step))
        shrink_still(*stack.read_light(band, index), weights, step, lit[rows], trust[rows])

    with ThreadPoolExecutor(threads or usable_processors()) as pool:
        for index in stills:
            go_on()
            list(pool.map(lambda band, index=index: shrink(band, index), range(stack.shape.bands)))
            tally.add(lit, trust)
    lift = tally.find_lift()
    run_bands(raise_rows, height, 8 * width, light, weights, lift, tally.level, step)
    stops = lift / np.float32(np.log(2))
    return Carried(float(np.mean(stops > TOLD_STOPS)), float(stops.max()))


def weigh_plate(light: FloatArray) -> NDArray[np.float32]:
    """Return the channels' weights (3,), sum 1: as the lamp's light is coloured, so that no dark one adds its noise."""
    colour = np.maximum(light.reshape(-1, 3).mean(axis=0, dtype=np.float64), 0)
    total = colour.sum()
    return np.asarray(colour / total if total > 0 else np.full(3, 1 / 3), np.float32)


def measure_sigma(noise: NoiseModel, weights: FloatArray) -> float:
    """Return the noise of weighed channels in the dark, standard deviation, linear."""
    return float(np.sqrt(np.sum(np.asarray(weights, np.float64) ** 2 * np.maximum(noise.b, 0))))
