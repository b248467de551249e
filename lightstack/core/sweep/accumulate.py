"""Many lamp stills become one plate.

A rule is three functions: ``start(ambient, setting)`` gives an empty state, ``add(state, offered)`` takes one
still in, in place, ``finish(state)`` gives the plate. Stills may be whole pictures or bands of rows; a band's
state belongs to that band. Stills are always added in rising index, which makes the result the same to the last
bit; it also hardly depends on the order (to rounding).

``max`` is the plate in which every place is lit as brightly as the lamp ever lit it. Where several stills
come equally close, they share the place in proportion to exp(guide / blend): no seam where the winner
changes, and less grain where many agree. The blend is a tenth of a sigma where light is faint, so that light
of one sigma is not drowned by many unlit stills, and half a sigma where it is strong.

**No noise lift.** The guide holds a little of the noise of the very pixel it decides about, so the sharing
favours lucky noise. For Gaussian noise the gain is known exactly: E[noise x weight] = covariance(noise,
guide) x E[d weight / d guide] (Stein's identity). It is summed beside the light and taken off at the end,
so a plate of nothing but noise has mean zero at any number of stills, while light of one sigma stays.

References: Stein 1981, "Estimation of the mean of a multivariate normal distribution", Annals of Statistics
9(6), Lemma 1. Milakov and Gimelshein 2018, "Online normalizer calculation for softmax" (arXiv:1805.02867).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.blend import blend_in
from lightstack.core.sweep.guide import find_pull, make_guide
from lightstack.core.sweep.state import (
    BLEND_SIGMA,
    AccumulateSetting,
    Offered,
    Rule,
    State,
    noise_gain,
    sigma_at,
    start_state,
)
from lightstack.core.sweep.sums import (
    add_screen,
    add_soft,
    add_sum,
    dwell_weights,
    finish_screen,
    finish_soft,
    finish_sum,
    start_screen,
    start_soft,
    start_sum,
)
from lightstack.errors import SettingError
from lightstack.records import LampStill

__all__ = [
    "BLEND_SIGMA",
    "RULES",
    "AccumulateSetting",
    "Offered",
    "Rule",
    "State",
    "accumulate_stills",
    "dwell_weights",
    "find_rule",
]

ROWS_AT_ONCE = 64
BLEND_KNEE_SIGMA = 12.0  # light above this is strong: stills half a sigma apart may share


def _add_max(state: State, offered: Offered) -> None:
    blend_in(
        state.peak,
        state.winner,
        state.best_valid,
        state.light,
        state.total,
        state.pulled,
        state.squares,
        np.ascontiguousarray(offered.still, np.float32),
        np.ascontiguousarray(offered.guide, np.float32),
        np.ascontiguousarray(offered.valid, np.float32),
        offered.index,
        (
            state.setting.blend_sigma,
            state.setting.strong_blend_sigma,
            BLEND_KNEE_SIGMA,
            noise_gain(offered.gain) ** 2,
        ),
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
    crowd = (state.pulled[band] - state.squares[band] * share) * share  # 0 where one has the place to itself
    setting, peak = state.setting, state.peak[band]
    blend = np.where(peak > BLEND_KNEE_SIGMA, setting.strong_blend_sigma, setting.blend_sigma).astype(
        np.float32
    )
    luck = crowd / blend * find_pull(setting.recipe, peak) * sigma_at(state, plate, band)
    return np.where(total > 0, plate - luck, np.float32(0))


RULES: dict[str, Rule] = {
    "max": Rule(start_state, _add_max, _finish_max),
    "softmax": Rule(start_soft, add_soft, finish_soft),
    "screen": Rule(start_screen, add_screen, finish_screen),
    "sum": Rule(start_sum, add_sum, finish_sum),
}


def accumulate_stills(
    stills: Iterable[LampStill],
    ambient: NDArray,
    setting: AccumulateSetting,
    *,
    rule: str = "max",
    shares: NDArray | None = None,
    gains: NDArray | None = None,
) -> State:
    """Accumulate whole lamp stills in the order given, and give the state.

    ``ambient``: ``(H, W, 3)`` float32. ``shares``: ``(n,)`` weight of each still for the rules that add.
    ``gains``: ``(n,)`` or ``(n, 3)`` by which the stills are multiplied first (evened or trimmed).

    Raises SettingError for an unknown rule.
    """
    chosen = find_rule(rule)
    state = chosen.start(ambient, setting)
    for index, still in enumerate(stills):
        gain: float | NDArray = 1.0 if gains is None else np.asarray(gains[index], np.float32)
        share = 1.0 if shares is None else float(shares[index])
        light = still.light if gains is None else still.light * gain
        guide = make_guide(light, ambient, setting.recipe, valid=still.valid)
        chosen.add(state, Offered(light, guide, still.valid, index, share, gain))
    return state


def find_rule(name: str) -> Rule:
    """Look a rule up by name. Raises SettingError naming the known ones."""
    if name not in RULES:
        raise SettingError(f"accumulation rule {name!r} is unknown; use one of {', '.join(RULES)}")
    return RULES[name]
