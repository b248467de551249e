"""Many lamp stills become one plate.

A rule is three functions: ``start(shape, setting)`` gives an empty state, ``add(state, still, guide, valid,
index)`` takes one still in, in place, ``finish(state)`` gives the plate. Stills may be whole pictures or
bands of rows; a band's state belongs to that band. Stills are always added in rising index, which makes
the result the same to the last bit; it also hardly depends on the order (to rounding).

``max`` is the plate in which every place is lit as brightly as the lamp ever lit it. Where several stills
come equally close, they share the place in proportion to exp(guide / blend): no seam where the winner
changes, and less grain where many agree.

**No noise lift.** The guide holds a little of the noise of the very pixel it decides about, so the sharing
favours lucky noise. For Gaussian noise the gain is known exactly: E[noise x weight] = covariance(noise,
guide) x E[d weight / d guide] (Stein's identity). It is summed beside the light and taken off at the end,
so a plate of nothing but noise has mean zero at any number of stills, while light of one sigma stays.

References: Stein 1981, "Estimation of the mean of a multivariate normal distribution", Annals of Statistics
9(6), Lemma 1. Milakov and Gimelshein 2018, "Online normalizer calculation for softmax" (arXiv:1805.02867).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.blend import blend_in
from lightstack.core.guide import GuideRecipe, make_guide
from lightstack.errors import SettingError
from lightstack.records import LampStill

__all__ = ["RULES", "AccumulateSetting", "Rule", "State", "dwell_weights", "floor_residue", "measure_residue"]

BLEND_SIGMA = 0.1
ROWS_AT_ONCE = 64


@dataclass(frozen=True, slots=True)
class AccumulateSetting:
    """What the rules need to know.

    ``recipe``: how the guides were made. ``blend_sigma``: how close stills must come to share a place, in
    sigma of one frame. ``exponent``: of the p-norm of ``softmax``. ``white``: where ``screen`` saturates.
    """

    recipe: GuideRecipe
    blend_sigma: float = BLEND_SIGMA
    exponent: float = 4.0
    white: float = 1.0


@dataclass(slots=True)
class State:
    """What a rule has gathered so far. Every array is ``(H, W, ...)`` and only ever changed in place.

    ``peak``: (H, W, G) the largest guide so far times its validity, in sigma: the reach. ``winner``:
    (H, W, G) index of the still that gave it, -1 none. ``best_valid``: (H, W) the largest validity so far.
    ``light``: (H, W, 3) the rule's running sum. ``total``, ``squares``: (H, W, G) sums that go with it.
    """

    setting: AccumulateSetting
    ambient: NDArray[np.float32]
    peak: NDArray[np.float32]
    winner: NDArray[np.int16]
    best_valid: NDArray[np.float32]
    light: NDArray[Any]
    total: NDArray[Any]
    squares: NDArray[Any]


@dataclass(frozen=True, slots=True)
class Rule:
    """One way to accumulate.

    ``start(ambient, setting)``; ``add(state, still, guide, valid, index, share)`` with ``still`` ``(H, W, 3)``
    float32, ``guide`` ``(H, W, G)``, ``valid`` ``(H, W)`` 0..1, ``share`` the still's weight (dwell);
    ``finish(state)`` gives ``(H, W, 3)`` float32, 0 where no still was valid.
    """

    start: Callable[[NDArray, AccumulateSetting], State]
    add: Callable[..., None]
    finish: Callable[[State], NDArray[np.float32]]


# --- max ---------------------------------------------------------------------------------------------


def _start(ambient: NDArray, setting: AccumulateSetting) -> State:
    """Begin; ``ambient`` ``(H, W, 3)`` gives the size and the noise floor."""
    height, width = ambient.shape[:2]
    groups = len(setting.recipe.projection)
    return State(
        setting=setting,
        ambient=np.ascontiguousarray(ambient, np.float32),
        peak=np.full((height, width, groups), -np.inf, np.float32),
        winner=np.full((height, width, groups), -1, np.int16),
        best_valid=np.zeros((height, width), np.float32),
        light=np.zeros((height, width, 3), np.float32),
        total=np.zeros((height, width, groups), np.float32),
        squares=np.zeros((height, width, groups), np.float32),
    )


def _add_max(state: State, still: NDArray, guide: NDArray, valid: NDArray, index: int, share: float = 1.0) -> None:
    blend_in(
        state.peak,
        state.winner,
        state.best_valid,
        state.light,
        state.total,
        state.squares,
        np.ascontiguousarray(still, np.float32),
        np.ascontiguousarray(guide, np.float32),
        np.ascontiguousarray(valid, np.float32),
        index,
        state.setting.blend_sigma,
    )


def _finish_max(state: State) -> NDArray[np.float32]:
    plate = np.zeros(state.light.shape, np.float32)
    for top in range(0, len(plate), ROWS_AT_ONCE):  # bands of rows: the temporaries stay small
        band = slice(top, top + ROWS_AT_ONCE)
        plate[band] = _finish_band(state, band)
    return plate


def _finish_band(state: State, band: slice) -> NDArray[np.float32]:
    total, best = state.total[band], state.best_valid[band]
    share = 1 / np.where(total > 0, total, 1)
    plate = state.light[band] * (share / np.where(best > 0, best, 1)[..., None])
    crowd = 1 - state.squares[band] * share**2  # 0 where one still has the place to itself
    scale = np.float32(1 / state.setting.blend_sigma)
    luck = (crowd * scale) * state.setting.recipe.pull_at(state.peak[band]) * _sigma_at(state, plate, band)
    return np.where(total > 0, plate - luck, np.float32(0))


def _sigma_at(state: State, light: NDArray, band: slice = slice(None)) -> NDArray[np.float32]:
    """Give the noise of one frame where this much lamp light falls on the ambient, ``(H, W, 3)``."""
    recipe = state.setting.recipe
    level = np.maximum(state.ambient[band] + np.maximum(light, 0), 0)
    return np.sqrt(recipe.a * level + recipe.b)


# --- sums --------------------------------------------------------------------------------------------
#
# Sums gather the noise of every still, lit or not: 32 stills, 5.7 times the grain. So a still counts in
# proportion to how surely it lit the place at all: gate = 1 - (2 spread / guide)^2, none below 2 spread. Light of
# one sigma keeps more than 9 tenths; the luck of the gate is known as above and taken off.

GATE_SPREADS = 2.0


def _start_sum(ambient: NDArray, setting: AccumulateSetting) -> State:
    state = _start(ambient, setting)
    state.light = np.zeros(state.light.shape, np.float64)
    state.total = np.zeros(state.light.shape, np.float64)
    state.squares = np.zeros((0, 0, 0))
    return state


def _gate(state: State, still: NDArray, guide: NDArray) -> NDArray[np.float32]:
    """Give the part of a still that is surely lamp light, without its luck, ``(H, W, 3)``."""
    edge = np.float32(GATE_SPREADS) * state.setting.recipe.spread
    safe = np.maximum(guide, edge)
    gate = 1 - (edge / safe) ** 2
    slope = np.where(guide > edge, 2 * edge**2 / safe**3, 0)
    luck = slope * state.setting.recipe.pull_at(guide) * _sigma_at(state, still)
    return np.asarray(still * gate - luck, np.float32)


def _note_reach(state: State, guide: NDArray, valid: NDArray, index: int) -> None:
    """Keep the reach and the winner up to date."""
    level = np.where(valid[..., None] > 0, valid[..., None] * guide, -np.inf)
    ahead = level > state.peak
    state.peak[ahead] = level[ahead]
    state.winner[ahead] = index
    np.maximum(state.best_valid, valid, out=state.best_valid)


def _add_sum(state: State, still: NDArray, guide: NDArray, valid: NDArray, index: int, share: float = 1.0) -> None:
    _note_reach(state, guide, valid, index)
    state.light += share * valid[..., None] * _gate(state, still, guide)


def _finish_sum(state: State) -> NDArray[np.float32]:
    return state.light.astype(np.float32)


def _start_screen(ambient: NDArray, setting: AccumulateSetting) -> State:
    state = _start_sum(ambient, setting)
    state.light += 1  # the part of white that is still unlit
    return state


def _add_screen(state: State, still: NDArray, guide: NDArray, valid: NDArray, index: int, share: float = 1.0) -> None:
    _note_reach(state, guide, valid, index)
    lit = share * valid[..., None] * _gate(state, still, guide).astype(np.float64) / state.setting.white
    state.light *= 1 - np.minimum(lit, 1)


def _finish_screen(state: State) -> NDArray[np.float32]:
    return (state.setting.white * (1 - state.light)).astype(np.float32)


# --- soft maximum ------------------------------------------------------------------------------------
#
# The p-norm of the denoised light, (sum of d^p)^(1/p), written as a weighted sum of the stills themselves with the
# weights (d / norm)^(p - 1): equal to the norm where the stills are free of noise, and linear in their grain. d is
# the guide brought back to linear light and gated. ``squares`` holds the two sums of which the luck is made:
# d weight / d guide = (p - 1) d' (d^(p-2) / norm^(p-1) - d^(2p-2) / norm^(2p-1)).


def _start_soft(ambient: NDArray, setting: AccumulateSetting) -> State:
    if not setting.exponent >= 2:
        raise SettingError(f"the exponent of softmax is {setting.exponent}; it must be at least 2")
    state = _start_sum(ambient, setting)
    groups = len(setting.recipe.projection)
    state.total = np.zeros((*ambient.shape[:2], groups), np.float64)
    state.squares = np.zeros((*ambient.shape[:2], 2 * groups), np.float64)
    return state


def _add_soft(state: State, still: NDArray, guide: NDArray, valid: NDArray, index: int, share: float = 1.0) -> None:
    _note_reach(state, guide, valid, index)
    power, groups = state.setting.exponent, guide.shape[2]
    linear, slope = _straighten(state, guide)
    linear *= valid[..., None]
    weight = share * linear ** (power - 1)
    state.light += weight * valid[..., None] * still
    state.total += weight * linear
    state.squares[..., :groups] += share * slope * linear ** (power - 2)
    state.squares[..., groups:] += share * slope * linear ** (2 * power - 2)


def _straighten(state: State, guide: NDArray) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bring a guide back to linear light in sigma of the unlit frame, gated; and how fast that rises."""
    recipe = state.setting.recipe
    bend = recipe.a / (4 * np.sqrt(recipe.a * np.maximum(state.ambient, 0) + recipe.b))
    if guide.shape[2] == 1:
        bend = np.average(bend, axis=2, weights=recipe.projection[0] ** 2)[..., None]
    edge = GATE_SPREADS * recipe.spread.astype(np.float64)
    safe = np.maximum(guide, edge)
    gated = np.where(guide > edge, safe - edge**2 / safe, 0)
    slope = np.where(guide > edge, 1 + (edge / safe) ** 2, 0)
    return gated + bend * gated**2, slope * (1 + 2 * bend * gated)


def _finish_soft(state: State) -> NDArray[np.float32]:
    power, groups = state.setting.exponent, state.total.shape[2]
    norm = np.where(state.total > 0, state.total, 1) ** (1 / power)
    plate = state.light / norm ** (power - 1)
    swing = state.squares[..., :groups] / norm ** (power - 1) - state.squares[..., groups:] / norm ** (2 * power - 1)
    luck = (power - 1) * swing * state.setting.recipe.pull_at(state.peak) * _sigma_at(state, plate)
    return np.where(state.total > 0, plate - luck, 0).astype(np.float32)


RULES: dict[str, Rule] = {
    "max": Rule(_start, _add_max, _finish_max),
    "softmax": Rule(_start_soft, _add_soft, _finish_soft),
    "screen": Rule(_start_screen, _add_screen, _finish_screen),
    "sum": Rule(_start_sum, _add_sum, _finish_sum),
}


# --- beside the rules --------------------------------------------------------------------------------


def accumulate_stills(
    stills: Iterable[LampStill], ambient: NDArray, setting: AccumulateSetting, *, rule: str = "max",
    shares: NDArray | None = None,
) -> State:
    """Accumulate whole lamp stills in the order given, and give the state.

    ``ambient``: ``(H, W, 3)`` float32. ``shares``: ``(n,)`` weight of each still for the rules that add.

    Raises SettingError for an unknown rule.
    """
    chosen = find_rule(rule)
    state = chosen.start(ambient, setting)
    for index, still in enumerate(stills):
        guide = make_guide(still.light, ambient, setting.recipe, valid=still.valid)
        chosen.add(state, still.light, guide, still.valid, index, 1.0 if shares is None else float(shares[index]))
    return state


def find_rule(name: str) -> Rule:
    """Look a rule up by name. Raises SettingError naming the known ones."""
    if name not in RULES:
        raise SettingError(f"accumulation rule {name!r} is unknown; use one of {', '.join(RULES)}")
    return RULES[name]


def dwell_weights(values: NDArray) -> NDArray[np.float64]:
    """Give each still's share so that a pause of the lamp is no hot spot.

    ``values``: ``(n, P)`` >= 0, each still's light in small. Returns ``(n,)`` float64 in 0..1: m stills of
    the same lamp position share 1/m each; stills whose light overlaps by less than 6 tenths do not know of
    each other. Overlap is sum of minima over sum of maxima.
    """
    count = len(values)
    crowd = np.ones(count)
    for k in range(count):
        for j in range(k):
            larger = np.maximum(values[k], values[j]).sum(dtype=np.float64)
            overlap = np.minimum(values[k], values[j]).sum(dtype=np.float64) / larger if larger > 0 else 0.0
            same = _ease((overlap - DWELL_OVERLAP) / (1 - DWELL_OVERLAP))
            crowd[[k, j]] += same
    return np.asarray(1 / crowd)


DWELL_OVERLAP = 0.6


def _ease(t: Any) -> Any:
    """Run smoothly from 0 at 0 to 1 at 1, level at both ends."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)


def floor_residue(plate: NDArray, peak: NDArray, *, floor_sigma: float) -> NDArray[np.float32]:
    """Roll what is left where nothing was lit smoothly to zero.

    ``plate``: ``(H, W, 3)`` linear. ``peak``: ``(H, W, G)`` the state's largest guide, in sigma of one frame.
    ``floor_sigma``: light of this many sigma and more is kept whole, none is kept at half of it and less;
    0 returns the plate as it is.
    """
    if floor_sigma <= 0:
        return np.asarray(plate, np.float32)
    return np.asarray(plate * _ease(2 * peak / floor_sigma - 1), np.float32)


def measure_residue(plate: NDArray, reached: NDArray) -> Residue:
    """Measure what the plate holds where the lamp never shone.

    ``plate``: ``(H, W, 3)`` linear. ``reached``: ``(H, W)`` bool.
    """
    dark = np.asarray(plate, np.float64)[~np.asarray(reached, bool)]
    if not len(dark):
        return Residue(share=0.0, mean=(0.0, 0.0, 0.0), deviation=(0.0, 0.0, 0.0))
    mean, deviation = dark.mean(axis=0).tolist(), dark.std(axis=0).tolist()
    return Residue(share=len(dark) / reached.size, mean=tuple(mean), deviation=tuple(deviation))


@dataclass(frozen=True, slots=True)
class Residue:
    """``share`` of the picture that is unlit, and the plate's mean and deviation per channel there."""

    share: float
    mean: tuple[float, ...]
    deviation: tuple[float, ...]
