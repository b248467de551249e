"""One light's mix: a base, what plays on it, how the lamp answers, and what the shutter sees of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.mix.modulate import Modulator, combine
from lightstack.core.mix.response import Response, respond
from lightstack.errors import SettingError
from lightstack.records import MixCurve

__all__ = ["MixMade", "MixRecipe", "make_mix"]

Floats = NDArray[np.float64]
CELLS = 32  # cells of time in the open shutter; even, so that a whole frame lies on the border of two
AT_ONCE = 2048  # frames


@dataclass(frozen=True, slots=True, kw_only=True)
class MixRecipe:
    """What a mix is made from.

    ``base``: gains at real-valued shot frames. ``shutter``: degrees; 0 takes the moment of the frame itself.
    ``clamp``: least and greatest gain of the result, None for no limit.
    """

    base: Callable[[Floats], Floats]
    modulators: Sequence[Modulator] = ()
    response: Response | None = None
    shutter: float = 0.0
    clamp: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class MixMade:
    """A mix, its base at the same frames ``(n,)``, and the shot frames at which the sum fell below 0 and was cut."""

    curve: MixCurve
    base: Floats
    negative: tuple[int, ...]


def make_mix(recipe: MixRecipe, first: int, last: int) -> MixMade:
    """Return the mix at whole shot frames ``first`` to ``last``, inclusive.

    The base is played on by the modulators in order; below 0 it is cut to 0, for there is no negative light; the lamp
    answers; each frame takes the mean over the open shutter, which is centred on it; the clamp comes last.

    Raises SettingError for a turned range or a shutter outside 0 to 360, and as base and modulators do.
    """
    if last < first:
        raise SettingError(f"the mix ends at frame {last}, before it begins at {first}")
    if not 0 <= recipe.shutter <= 360:
        raise SettingError(f"the shutter is {recipe.shutter:g} degrees; it runs from 0 to 360")
    frames = np.arange(first, last + 1, dtype=np.float64)
    if recipe.response is None:
        gains, below = _make_plain(recipe, frames)
    else:
        gains, below = _make_answered(recipe, recipe.response, frames)
    if recipe.clamp is not None:
        gains = np.clip(gains, *recipe.clamp)
    negative = tuple(int(frame) for frame in frames[below])
    return MixMade(MixCurve(first, gains), recipe.base(frames), negative)


def _drive(recipe: MixRecipe, at: Floats, widths: Floats) -> Floats:
    """Return what drives the lamp over each cell, ``(frames, cells)``; it may be below 0."""
    gains = recipe.base(at)
    for modulator in recipe.modulators:
        gains = combine(gains, modulator, at, widths)
    return gains


def _make_plain(recipe: MixRecipe, frames: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Make the mix of a lamp that answers at once; the closed shutter need not be looked at."""
    begins, widths = _cut_frame(recipe.shutter / 360, closed=False)
    gains, below = np.empty(len(frames)), np.zeros(len(frames), bool)
    for start in range(0, len(frames), AT_ONCE):
        part = slice(start, start + AT_ONCE)
        drive = _drive(recipe, frames[part, None] + begins + widths / 2, widths)
        below[part] = (drive < 0).any(axis=1)
        gains[part] = np.maximum(drive, 0.0).mean(axis=1)
    return gains, below


def _make_answered(
    recipe: MixRecipe, response: Response, frames: Floats
) -> tuple[Floats, NDArray[np.bool_]]:
    """Make the mix of a lamp that takes its time; it is followed from some time before the first frame on."""
    share = recipe.shutter / 360
    begins, widths = _cut_frame(share, closed=True)
    seen = CELLS if share else 0
    early = frames[0] - response.run_in - 1
    state = float(np.maximum(_drive(recipe, np.array([[early]]), np.zeros(1)), 0.0)[0, 0])
    gains, below = [], []
    for start in np.arange(early, frames[-1] + 1, AT_ONCE):
        part = np.arange(start, min(start + AT_ONCE, frames[-1] + 1))
        drive = _drive(recipe, part[:, None] + begins + widths / 2, widths)
        below.append((drive < 0).any(axis=1))
        means, ends = respond(np.maximum(drive, 0.0).ravel(), np.tile(widths, len(part)), state, response)
        before = np.concatenate([[state], ends[:-1]]).reshape(drive.shape)[:, 0]
        gains.append(means.reshape(drive.shape)[:, :seen].mean(axis=1) if seen else before)
        state = float(ends[-1])
    count = len(frames)
    return np.concatenate(gains)[-count:], np.concatenate(below)[-count:]


def _cut_frame(share: float, *, closed: bool) -> tuple[Floats, Floats]:
    """Cut the time of one frame, which begins where its shutter opens, into cells.

    Returns where each begins, frames from the frame's own moment, and its width. ``closed``: also the time in which the
    shutter is closed. With ``share`` 0 and not ``closed`` there is the moment alone, a cell of no width.
    """
    if not share and not closed:
        return np.zeros(1), np.zeros(1)
    counts = [(-share / 2, share, CELLS)] if share else []
    rest = 1 - share
    if closed and rest > 1e-9:
        counts.append((share / 2, rest, math.ceil(CELLS * rest)))
    begins = [begin + length * np.arange(count) / count for begin, length, count in counts]
    widths = [np.full(count, length / count) for _, length, count in counts]
    return np.concatenate(begins), np.concatenate(widths)
