"""The light of a plate carried on past its seams, from what its stills tell of them."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.seams import SeamTally, seam_step, shrink_still
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
    light: NDArray[np.float32], stack: LightStack, stills: Sequence[int], *, noise: NoiseModel, threads: int = 0
) -> Carried:
    """Carry a plate's light on past the masks of its stills, in place, and say how much that was.

    ``light``: (H, W, 3). ``stills``: those that the plate was made of, which are read once more. ``noise``: of one
    full-size frame. The result does not depend on ``threads`` (0 = all processors).
    """
    height, width = light.shape[:2]
    step = seam_step((height, width))
    size = (-(-height // step), -(-width // step))
    weights = weigh_plate(light)
    lit, trust = np.empty(size, np.float32), np.empty(size, np.float32)
    tally = SeamTally(size, measure_sigma(noise, weights) / step)

    def shrink(band: int, index: int) -> None:
        rows = slice(band * BAND_ROWS // step, -(-stack.rows_of(band).stop // step))
        shrink_still(*stack.read_light(band, index), weights, step, lit[rows], trust[rows])

    with ThreadPoolExecutor(threads or usable_processors()) as pool:
        for index in stills:
            go_on()
            list(pool.map(lambda band, index=index: shrink(band, index), range(stack.shape.bands)))
            tally.add(lit, trust)
    lift = tally.find_lift()
    raise_light(light, lift, step)
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


def raise_light(light: NDArray[np.float32], lift: FloatArray, step: int) -> None:
    """Multiply a picture (H, W, 3) in place by exp of what is known at small size."""
    height, width = light.shape[:2]
    size = (lift.shape[1] * step, lift.shape[0] * step)
    grown = lift if step == 1 else cv2.resize(lift, size, interpolation=cv2.INTER_LINEAR)
    for top in range(0, height, BAND_ROWS):  # the temporaries stay small
        rows = slice(top, top + BAND_ROWS)
        light[rows] *= np.exp(grown[rows, :width])[: height - top, :, None]
