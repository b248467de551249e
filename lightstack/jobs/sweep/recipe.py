"""How the guides of a sweep are made: by the lamp's colour and the noise as it was filmed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.guide import crop_centre, measure_guide_noise, plan_guide
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.sweep.choice import Scale
from lightstack.jobs.takes.ambient import Ambient
from lightstack.records import GuideRecipe

__all__ = ["plan_recipe"]

PLAIN_SIGMA = 8.0
UNCLIPPED = 0.9  # of reference white: a clipped bulb shows no noise


def plan_recipe(ambient: Ambient, settings: Sweep, scale: Scale) -> GuideRecipe:
    """Plan the guide from the lamp's colour and the noise as it was filmed."""
    width = ambient.light.shape[1]
    recipe = plan_guide(ambient.noise, width=width, colour=scale.colour, by=settings.by)
    if not ambient.sample.any():
        return recipe  # a single frame, or a render without noise: nothing to measure by
    light, inside = crop_centre(ambient.light), crop_centre(ambient.inside)
    return measure_guide_noise(ambient.sample, light, recipe, valid=find_plain(ambient, light, inside))


def find_plain(
    ambient: Ambient, light: NDArray[np.float32], inside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return where the ambient's sample is noise and nothing else: seen, unclipped, nobody walking by.

    ``light``, ``inside``: the ambient's, where the sample was taken.
    """
    off = np.abs(ambient.sample) < PLAIN_SIGMA * ambient.noise.sigma(light)
    plain = inside & (light.max(axis=2) < UNCLIPPED) & off.all(axis=2)
    return plain if plain.any() else inside
