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

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from lightstack.core.guide import GuideRecipe
from lightstack.errors import SettingError

__all__ = ["RULES", "AccumulateSetting", "Rule", "State", "dwell_weights", "floor_residue", "measure_residue"]

BLEND_SIGMA = 0.1
NEGLIGIBLE = 16.0  # a still this many blends behind has a share of 1e-7: none


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
    _blend_in(
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


@njit(
    "void(float32[:, :, ::1], int16[:, :, ::1], float32[:, ::1], float32[:, :, ::1], float32[:, :, ::1],"
    " float32[:, :, ::1], float32[:, :, ::1], float32[:, :, ::1], float32[:, ::1], int64, float64)",
    cache=True,
    nogil=True,
)
def _blend_in(peak, winner, best_valid, light, total, squares, still, guide, valid, index, blend):  # type: ignore[no-untyped-def]
    """Take one still into a running maximum that near-winners share."""
    height, width, groups = guide.shape
    per_group = 3 // groups
    one, nothing = np.float32(1), np.float32(0)
    scale = np.float32(1 / blend)
    for y in range(height):
        for x in range(width):
            v = valid[y, x]
            if not v > nothing:
                continue
            best_valid[y, x] = max(best_valid[y, x], v)
            for g in range(groups):
                level = v * guide[y, x, g]
                behind = (level - peak[y, x, g]) * scale
                if not behind > np.float32(-NEGLIGIBLE):
                    continue
                keep, weight = one, v
                if behind > nothing:
                    peak[y, x, g] = level
                    winner[y, x, g] = index
                    keep = np.exp(-behind) if behind < np.float32(NEGLIGIBLE) else nothing
                else:
                    weight = v * np.exp(behind)
                total[y, x, g] = total[y, x, g] * keep + weight
                squares[y, x, g] = squares[y, x, g] * keep * keep + weight * weight
                for c in range(g * per_group, (g + 1) * per_group):
                    light[y, x, c] = light[y, x, c] * keep + weight * v * still[y, x, c]


def _finish_max(state: State) -> NDArray[np.float32]:
    groups = state.total.shape[2]
    total = np.where(state.total > 0, state.total, 1)
    whole = np.where(state.best_valid > 0, state.best_valid, 1)[..., None]
    plate = state.light / total / whole
    crowd = 1 / total - state.squares / total**3 if False else (1 - state.squares / total**2)
    recipe = state.setting.recipe
    pull = recipe.pull[0] if groups == 1 else np.diag(recipe.pull)
    sigma = np.sqrt(recipe.a * np.maximum(state.ambient + np.maximum(plate, 0), 0) + recipe.b)
    luck = crowd * pull * sigma * np.float32(1 / state.setting.blend_sigma)
    return np.where(state.total > 0, plate - luck, 0).astype(np.float32)
