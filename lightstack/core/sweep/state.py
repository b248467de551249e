"""What an accumulation rule is, what it needs to know, and what it gathers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.guide import GuideRecipe

__all__ = [
    "BLEND_SIGMA",
    "AccumulateSetting",
    "Rule",
    "State",
    "noise_gain",
    "note_reach",
    "sigma_at",
    "start_state",
]

BLEND_SIGMA = 0.1
STRONG_BLEND_SIGMA = 0.5


@dataclass(frozen=True, slots=True)
class AccumulateSetting:
    """What the rules need to know.

    ``recipe``: how the guides were made. ``blend_sigma``, ``strong_blend_sigma``: how close stills must come
    to share a place, in sigma of one frame, where light is faint and where it is strong. ``exponent``: of the
    p-norm of ``softmax``. ``white``: where ``screen`` saturates.
    """

    recipe: GuideRecipe
    blend_sigma: float = BLEND_SIGMA
    strong_blend_sigma: float = STRONG_BLEND_SIGMA
    exponent: float = 4.0
    white: float = 1.0


@dataclass(slots=True)
class State:
    """What a rule has gathered so far. Every array is ``(H, W, ...)`` and only ever changed in place.

    ``peak``: (H, W, G) the largest guide so far times its validity, in sigma: the reach. ``winner``:
    (H, W, G) index of the still that gave it, -1 none. ``best_valid``: (H, W) the largest validity so far.
    ``light``: (H, W, 3) the rule's running sum. ``total``, ``pulled``, ``squares``: (H, W, G) sums beside it.
    """

    setting: AccumulateSetting
    ambient: NDArray[np.float32]
    peak: NDArray[np.float32]
    winner: NDArray[np.int16]
    best_valid: NDArray[np.float32]
    light: NDArray[Any]
    total: NDArray[Any]
    pulled: NDArray[Any]
    squares: NDArray[Any]


@dataclass(frozen=True, slots=True, eq=False)
class Offered:
    """A still as a rule takes it in.

    ``still`` ``(H, W, 3)`` float32, ``guide`` ``(H, W, G)`` as ``make_guide`` gives it, ``valid`` ``(H, W)`` 0..1,
    ``index`` in the stack, ``share`` the still's weight in a sum, ``gain`` (one or three numbers) by what the still was
    multiplied since it was shot, before its guide was made: its noise grew with it.
    """

    still: NDArray
    guide: NDArray
    valid: NDArray
    index: int
    share: float = 1.0
    gain: float | NDArray = 1.0


@dataclass(frozen=True, slots=True)
class Rule:
    """One way to accumulate.

    ``start(ambient, setting)`` begins, ``add(state, offered)`` takes a still in, in place. ``finish(state)`` gives
    the plate, ``(H, W, 3)`` float32, 0 where no still was valid; the state can take more stills afterwards.
    """

    start: Callable[[NDArray, AccumulateSetting], State]
    add: Callable[[State, Offered], None]
    finish: Callable[[State], NDArray[np.float32]]


def start_state(ambient: NDArray, setting: AccumulateSetting) -> State:
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
        pulled=np.zeros((height, width, groups), np.float32),
        squares=np.zeros((height, width, groups), np.float32),
    )


def noise_gain(gain: float | NDArray) -> float:
    """Give by how much a gain, one number or one per channel, raises the noise of a guide."""
    return float(np.sqrt(np.mean(np.square(gain, dtype=np.float64))))


def note_reach(state: State, guide: NDArray, valid: NDArray, index: int) -> None:
    """Keep the reach and the winner up to date."""
    level = np.where(valid[..., None] > 0, valid[..., None] * guide, -np.inf)
    ahead = level > state.peak
    state.peak[ahead] = level[ahead]
    state.winner[ahead] = index
    np.maximum(state.best_valid, valid, out=state.best_valid)


def sigma_at(state: State, light: NDArray, band: slice = slice(None)) -> NDArray[np.float32]:
    """Give the noise of one frame where this much lamp light falls on the ambient, ``(H, W, 3)``."""
    recipe = state.setting.recipe
    level = np.maximum(state.ambient[band] + np.maximum(light, 0), 0)
    return np.sqrt(recipe.a * level + recipe.b)
