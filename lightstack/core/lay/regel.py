"""A light with another gel: channel gains from the lamp's colour as filmed to a wanted one, and where they fail.

A channel that the old gel held back cannot be made by a gain without its noise: gains are limited, and what is reached
is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.colour_temperature import MOST_OFF, find_temperature, locus_rgb, rgb_to_uv, shift_mired
from lightstack.core.colour.light import luminance_weights, relative_luminance
from lightstack.errors import SettingError
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = [
    "KEEPS",
    "Regelled",
    "add_green",
    "find_dark",
    "find_gains",
    "find_target",
    "lamp_from_plate",
    "lamp_over_set",
    "regel_gains",
    "regel_light",
]

KEEPS = ("luminance", "energy")
FULL_GREEN = 0.30  # density of a full correction gel in red and blue; common practice of the trade: CC30, from memory
NOISY_STEPS = 3.0  # standard deviations: a channel below that holds no colour
TOO_NOISY = 2.0  # gain from which such a channel is told of
CLIP_FROM, CLIP_FULL = 0.75, 0.92  # of the ceiling: a max of frames that were scaled and moved blurs it
BRIGHT, LEAST_SIGMA = 0.9, 6.0  # of white, above which a channel may be clipped; of one frame's noise


@dataclass(frozen=True, slots=True)
class Regelled:
    """``lamp``, ``wanted``, ``reached``: linear colours (3,). ``gains`` (3,) that make the last of the first;
    ``missing``: u'v' distance between what was wanted and what is reached."""

    lamp: NDArray[np.float64]
    wanted: NDArray[np.float64]
    reached: NDArray[np.float64]
    gains: NDArray[np.float64]
    missing: float


def lamp_from_plate(plate: FloatArray, *, noise: NoiseModel) -> NDArray[np.float64]:
    """Estimate the lamp's colour (3,), green or the brightest channel 1, from its light on the set (H, W, 3).

    Notes: the mean over what is lit and not clipped; surfaces are taken to be grey in the mean, so a room of wood makes
    the lamp look warm: on made rooms 0.001 to 0.03 in u'v'. A grey card tells it better. Raises SettingError for a
    plate without light.
    """
    lit = pick_lit(plate, noise)
    return scale_colour(plate[lit].mean(axis=0, dtype=np.float64))


def lamp_over_set(plate: FloatArray, bare: FloatArray, *, noise: NoiseModel) -> NDArray[np.float64]:
    """Estimate the lamp's colour from the plate and the set's picture (H, W, 3) by a light that the camera shows white.

    Notes: free of the set's own colours, and wrong by as much as the light that is already there is not white. Raises
    SettingError where nothing is lit by both.
    """
    lit = pick_lit(plate, noise) & (bare > LEAST_SIGMA * noise.sigma(bare)).all(axis=-1) & (bare < BRIGHT).all(axis=-1)
    if not lit.any():
        raise SettingError("no place is lit both by the lamp and without it; give the lamp's colour by `lamp`")
    ratios = np.log(np.maximum(plate[lit], 1e-6).astype(np.float64) / bare[lit])
    return scale_colour(np.exp(np.median(ratios, axis=0)))


def pick_lit(plate: FloatArray, noise: NoiseModel) -> BoolArray:
    """Tell where a plate is well above its noise in its strongest channel and clipped in none, (H, W)."""
    strong = (plate > LEAST_SIGMA * noise.sigma(plate)).any(axis=-1)
    lit = np.asarray(strong & (plate < BRIGHT).all(axis=-1))
    if not lit.any():
        raise SettingError("the plate holds no light from which the lamp's colour could be measured; give it by `lamp`")
    return lit


def scale_colour(colour: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a colour whose brightest channel is 1 and none of which is below a ten-thousandth."""
    return np.maximum(colour, colour.max() * 1e-4) / colour.max()


def find_target(
    lamp: NDArray[np.float64],
    primaries: str,
    *,
    rgb: tuple[float, float, float] | None = None,
    kelvin: float | None = None,
    locus: str = "planck",
    mired: float | None = None,
    green: float = 0.0,
) -> NDArray[np.float64]:
    """Return the wanted colour (3,): by linear RGB, by temperature, by a shift in mired, or by green alone.

    A shift keeps how far the lamp lies off the locus. Raises SettingError for a shift from a colour that has no
    temperature, and for temperatures that do not exist.
    """
    wanted = np.asarray(lamp, np.float64)
    if rgb is not None:
        wanted = np.asarray(rgb, np.float64)
    elif kelvin is not None:
        wanted = np.maximum(locus_rgb(kelvin, primaries, locus=locus), 0)
    elif mired is not None:
        was, off = find_temperature(lamp, primaries)
        if abs(off) > MOST_OFF:
            raise SettingError(
                f"the lamp's light lies {abs(off):.3f} off the black-body locus (u, v of 1960) and has no colour "
                "temperature that could be shifted; give `kelvin` or `rgb`"
            )
        moved = locus_rgb(shift_mired(was, mired), primaries) / np.maximum(locus_rgb(was, primaries), 1e-6)
        wanted = wanted * np.maximum(moved, 0)
    return add_green(wanted, green)


def add_green(colour: NDArray[np.float64], steps: float) -> NDArray[np.float64]:
    """Lay plus green over a colour, below zero minus green; 1 is a full gel, 0.125 an eighth."""
    density = FULL_GREEN * abs(steps)
    held = (0, 2) if steps > 0 else (1,)
    gains = np.ones(3)
    gains[list(held)] = 10**-density
    return np.asarray(colour * gains, np.float64)


def regel_gains(
    lamp: NDArray[np.float64],
    wanted: NDArray[np.float64],
    primaries: str,
    *,
    keep: str = "luminance",
    most_gain: float = 8.0,
) -> Regelled:
    """Return what turns the lamp's colour into a wanted one, no channel being raised by more than ``most_gain``.

    ``keep``: "luminance", or "energy": the sum of the three linear channels. Raises SettingError for a colour without
    light or an unknown ``keep``.
    """
    if keep not in KEEPS:
        raise SettingError(f"keep {keep!r} is unknown; use one of {', '.join(KEEPS)}")
    weights = luminance_weights(primaries) if keep == "luminance" else np.full(3, 1 / 3)
    lamp, wanted = np.asarray(lamp, np.float64), np.asarray(wanted, np.float64)
    if not (wanted @ weights > 0 and (wanted >= 0).all() and (lamp > 0).all()):
        raise SettingError("a light is re-gelled from a colour with light in every channel to one that holds light")
    wanted = wanted * (lamp @ weights) / (wanted @ weights)
    gains = find_gains(lamp, wanted, weights, most_gain)
    reached = lamp * gains
    missing = float(np.linalg.norm(rgb_to_uv(wanted, primaries) - rgb_to_uv(reached, primaries)))
    return Regelled(lamp, wanted, reached, gains, missing)


def find_gains(
    lamp: NDArray[np.float64], wanted: NDArray[np.float64], weights: NDArray[np.float64], most_gain: float
) -> NDArray[np.float64]:
    """Return gains (3,) that are limited, the other channels taking over what the limited ones cannot give.

    Notes: the sum over ``weights`` is kept as far as the limit allows.
    """
    gains = wanted / lamp
    for _ in range(3):
        limited = gains > most_gain
        if not limited.any():
            break
        gains[limited] = most_gain
        free = ~limited & (gains > 0) & (gains < most_gain)
        rest = ((lamp - gains * lamp) @ weights) + (gains * lamp * weights)[free].sum()
        if not free.any() or rest <= 0:
            break
        gains[free] *= rest / (gains * lamp * weights)[free].sum()
    return np.minimum(gains, most_gain)


def regel_light(
    plate: FloatArray, made: Regelled, primaries: str, *, ceiling: float, ambient: FloatArray | None = None
) -> FloatArray:
    """Return a plate (H, W, 3) in its new colour.

    ``ceiling``: linear light at which the camera clips, with the ``ambient`` (H, W, 3) in it. Where a channel ran into
    it the surface's colour is lost, and would turn to that of the channels that did not: there the light takes the new
    colour as a grey surface has it.
    """
    plain = np.asarray(plate * made.gains.astype(np.float32), np.float32)
    if not np.isfinite(ceiling):
        return plain
    level = (plate if ambient is None else plate + np.maximum(ambient, 0)).max(axis=-1)
    t = np.clip((level / ceiling - CLIP_FROM) / (CLIP_FULL - CLIP_FROM), 0, 1)
    share = (t * t * (3 - 2 * t))[..., None]
    tone = relative_luminance(plate, primaries) / np.float32(made.lamp @ luminance_weights(primaries))
    return np.asarray(plain + share * (tone[..., None] * made.reached.astype(np.float32) - plain), np.float32)


def find_dark(
    plate: FloatArray, gains: NDArray[np.float64], *, noise: NoiseModel, ambient: FloatArray | None = None
) -> BoolArray:
    """Tell where a channel that is raised holds no colour, (H, W, 3): its light drowns in one frame's noise.

    ``plate`` as filmed; ``ambient`` (H, W, 3): the light that was there beside the lamp, whose noise the plate has too.
    Only places are told where the lamp shines at all, and channels whose noise the gain would show.
    """
    level = np.maximum(plate, 0) if ambient is None else np.maximum(plate, 0) + np.maximum(ambient, 0)
    sigma = noise.sigma(level)
    lit = (plate > NOISY_STEPS * sigma).any(axis=-1, keepdims=True)
    return np.asarray(lit & (plate < NOISY_STEPS * sigma) & (gains > TOO_NOISY))
