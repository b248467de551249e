"""Rules that add: sum, screen and soft maximum.

Sums gather the noise of every still, lit or not: 32 stills, 5.7 times the grain. So a still counts in
proportion to how surely it lit the place at all: gate = 1 - (2 spread / guide)^2, none below 2 spread. Light
of one sigma keeps more than 9 tenths. What the gate's luck adds is known as in ``accumulate`` and taken off.

``softmax`` is the p-norm of the denoised light d, (sum of d^p)^(1/p), written as a weighted sum of the stills
themselves with the weights (d / norm)^(p - 1): equal to the norm where stills are free of noise, and linear
in their grain. Its luck follows from d weight / d guide = (p - 1) d' (d^(p-2) / norm^(p-1) - d^(2p-2) /
norm^(2p-1)), whose two sums ``State.squares`` holds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.guide import find_pull
from lightstack.core.sweep.state import AccumulateSetting, Offered, State, noise_gain, note_reach, sigma_at, start_state
from lightstack.errors import SettingError

__all__ = ["dwell_weights"]

DWELL_OVERLAP = 0.6
GATE_SPREADS = 2.0
SOFT_GATE_SPREADS = 3.0  # a lone still has the whole weight however deep the gate: it may be safer here


def start_sum(ambient: NDArray, setting: AccumulateSetting) -> State:
    """Begin a sum; running sums are float64."""
    state = start_state(ambient, setting)
    state.light = np.zeros(state.light.shape, np.float64)
    state.total = np.zeros(state.light.shape, np.float64)
    state.squares = np.zeros((0, 0, 0))
    return state


def _gate(state: State, offered: Offered) -> NDArray[np.float64]:
    """Give the valid part of a still that is surely lamp light, without its luck, ``(H, W, 3)``."""
    guide, valid, gain = offered.guide, offered.valid, noise_gain(offered.gain)
    still = _drop_invalid(offered.still, valid)
    edge = np.float32(GATE_SPREADS * gain) * state.setting.recipe.spread
    safe = np.maximum(guide, edge)
    gate = 1 - (edge / safe) ** 2
    slope = np.where(guide > edge, 2 * edge**2 / safe**3, 0)
    luck = gain**2 * slope * find_pull(state.setting.recipe, guide) * sigma_at(state, still)
    return np.asarray(valid[..., None] * (still * gate - luck), np.float64)


def _drop_invalid(still: NDArray, valid: NDArray) -> NDArray[np.float32]:
    """Give the still with nothing where it is not valid or not a number."""
    return np.where((valid[..., None] > 0) & np.isfinite(still), still, np.float32(0))


def add_sum(state: State, offered: Offered) -> None:
    """Add what a still surely lit, times its share."""
    note_reach(state, offered.guide, offered.valid, offered.index)
    state.light += offered.share * _gate(state, offered)


def finish_sum(state: State) -> NDArray[np.float32]:
    """Give the sum."""
    return state.light.astype(np.float32)


def start_screen(ambient: NDArray, setting: AccumulateSetting) -> State:
    """Begin a screen."""
    state = start_sum(ambient, setting)
    state.light += 1  # the part of white that is still unlit
    return state


def add_screen(state: State, offered: Offered) -> None:
    """Light a part of what is still unlit."""
    note_reach(state, offered.guide, offered.valid, offered.index)
    lit = offered.share * _gate(state, offered) / state.setting.white
    state.light *= 1 - np.minimum(lit, 1)


def finish_screen(state: State) -> NDArray[np.float32]:
    """Give white x (1 - product of (1 - min(light / white, 1)))."""
    return (state.setting.white * (1 - state.light)).astype(np.float32)


def start_soft(ambient: NDArray, setting: AccumulateSetting) -> State:
    """Begin a p-norm. Raises SettingError for an exponent below 2."""
    if not setting.exponent >= 2:
        raise SettingError(f"the exponent of softmax is {setting.exponent}; it must be at least 2")
    state = start_sum(ambient, setting)
    groups = len(setting.recipe.projection)
    state.total = np.zeros((*ambient.shape[:2], groups), np.float64)
    state.squares = np.zeros((*ambient.shape[:2], 2 * groups), np.float64)
    return state


def add_soft(state: State, offered: Offered) -> None:
    """Add a still in proportion to the (p - 1)th power of its denoised light."""
    guide, valid, share, gain = offered.guide, offered.valid, offered.share, noise_gain(offered.gain)
    note_reach(state, guide, valid, offered.index)
    power, groups = state.setting.exponent, guide.shape[2]
    linear, slope = _straighten(state, guide, gain)
    linear *= valid[..., None]
    weight = share * linear ** (power - 1)
    state.light += weight * valid[..., None] * _drop_invalid(offered.still, valid)
    state.total += weight * linear
    slope *= gain**2
    state.squares[..., :groups] += share * slope * linear ** (power - 2)
    state.squares[..., groups:] += share * slope * linear ** (2 * power - 2)


def _straighten(state: State, guide: NDArray, gain: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bring a guide back to linear light in sigma of the unlit frame, gated; and how fast that rises."""
    recipe = state.setting.recipe
    bend = recipe.a / (4 * np.sqrt(recipe.a * np.maximum(state.ambient, 0) + recipe.b))
    if guide.shape[2] == 1:
        bend = np.average(bend, axis=2, weights=recipe.projection[0] ** 2)[..., None]
    edge = gain * SOFT_GATE_SPREADS * recipe.spread.astype(np.float64)
    safe = np.maximum(guide, edge)
    gated = np.where(guide > edge, safe - edge**2 / safe, 0)
    slope = np.where(guide > edge, 1 + (edge / safe) ** 2, 0)
    return gated + bend * gated**2, slope * (1 + 2 * bend * gated)


def finish_soft(state: State) -> NDArray[np.float32]:
    """Divide by the norm and take the luck off."""
    power, groups = state.setting.exponent, state.total.shape[2]
    norm = np.where(state.total > 0, state.total, 1) ** (1 / power)
    plate = state.light / norm ** (power - 1)
    rise, fall = state.squares[..., :groups], state.squares[..., groups:]
    swing = rise / norm ** (power - 1) - fall / norm ** (2 * power - 1)
    luck = (power - 1) * swing * find_pull(state.setting.recipe, state.peak) * sigma_at(state, plate)
    return np.where(state.total > 0, plate - luck, 0).astype(np.float32)


def dwell_weights(values: NDArray) -> NDArray[np.float64]:
    """Give each still's share so that a pause of the lamp is no hot spot.

    ``values``: ``(n, ...)`` each still's light in small, 0 where it is not valid. Returns ``(n,)`` float64 in
    0..1: m stills of the same lamp position share 1/m each; stills whose light overlaps by less than 6 tenths
    do not know of each other. Overlap is sum of minima over sum of maxima.
    """
    count = len(values)
    values = np.maximum(np.nan_to_num(np.asarray(values, np.float32).reshape(count, -1)), 0)
    crowd = np.ones(count)
    for k in range(count):
        for j in range(k):
            larger = np.maximum(values[k], values[j]).sum(dtype=np.float64)
            overlap = np.minimum(values[k], values[j]).sum(dtype=np.float64) / larger if larger > 0 else 0.0
            if overlap > DWELL_OVERLAP:
                crowd[[k, j]] += _ease((overlap - DWELL_OVERLAP) / (1 - DWELL_OVERLAP))
    return np.asarray(1 / crowd)


def _ease(t: Any) -> Any:
    """Run smoothly from 0 at 0 to 1 at 1, level at both ends."""
    t = np.clip(t, 0, 1)
    return t * t * (3 - 2 * t)
