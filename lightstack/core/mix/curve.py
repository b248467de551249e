"""The mix curve by points: how bright the light is at any moment of the shot.

A curve is a list of points, each (frame, value, shape); the shape says how the curve runs from that point
to the next. Values are gains (1 = as shot) or stops (0 = as shot, +1 = twice the light), or ``OFF``, which
is no light at all. Off has no number of stops, so a span to or from it always runs in gain. Before the
first point and after the last one the curve keeps their values. Frames are real numbers: between two whole
ones lies what a shutter sees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightstack.core.mix.spans import OFF, SHAPES, Point, make_spans, to_gain
from lightstack.errors import SettingError
from lightstack.records import MixCurve

__all__ = ["OFF", "SHAPES", "UNITS", "Point", "check_points", "evaluate", "make_curve"]

UNITS = ("gain", "stops")


def evaluate(points: Sequence[Point | Sequence], frames: ArrayLike, *, unit: str = "gain") -> NDArray[np.float64]:
    """Return the gain of the curve through the points at real-valued shot frames, any shape, float64, >= 0.

    ``points``: ``Point`` or (frame, value[, shape]), frames rising; at least one. ``unit``: "gain" or "stops".

    Raises SettingError for unknown units or shapes, frames that do not rise, or values that are not
    finite or (in gain) negative.

    Notes: ``hold`` keeps the value until the next point. ``linear`` is straight in the unit. ``smooth`` is
    a cubic that never leaves the range of its two points and runs through neighbouring smooth spans without
    a kink. ``ease`` starts and ends at rest (3t^2 - 2t^3 of the straight way). ``exponential`` changes by the
    same factor every frame; to off it falls by 6 stops and is shifted to end at exactly nothing, from off it
    is the mirror.

    References: Fritsch and Carlson 1980, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal.
    17(2). The slopes are the weighted harmonic means of Fritsch and Butland 1984, SIAM J. Sci. Stat.
    Comput. 5(2).
    """
    checked = check_points(points, unit)
    at = np.asarray(frames, np.float64)
    gains = np.full(at.shape, to_gain(checked[0].value, unit))
    for here, after, span in make_spans(checked, unit):
        inside = (at >= here.frame) & (at < after.frame)
        gains[inside] = span((at[inside] - here.frame) / (after.frame - here.frame))
    gains[at >= checked[-1].frame] = to_gain(checked[-1].value, unit)
    return np.maximum(gains, 0.0)


def make_curve(points: Sequence[Point | Sequence], *, first: int, last: int, unit: str = "gain") -> MixCurve:
    """Make the mix curve that runs through the points, at whole frames ``first`` to ``last``, inclusive.

    Raises SettingError as ``evaluate`` does, and for a turned range.
    """
    check_points(points, unit)
    if last < first:
        raise SettingError(f"the mix ends at frame {last}, before it begins at {first}")
    return MixCurve(first, evaluate(points, np.arange(first, last + 1), unit=unit))


def check_points(points: Sequence[Point | Sequence], unit: str) -> list[Point]:
    """Return the points as ``Point``. Raises SettingError as ``evaluate`` does."""
    if unit not in UNITS:
        raise SettingError(f"the unit of the mix is {unit!r}; use one of {', '.join(UNITS)}")
    if not len(points):
        raise SettingError("the mix has no points; give at least one [frame, value]")
    checked = [point if isinstance(point, Point) else Point(*point) for point in points]
    for number, point in enumerate(checked):
        _check_point(point, unit)
        if number and point.frame <= checked[number - 1].frame:
            before = checked[number - 1].frame
            raise SettingError(
                f"mix point at frame {point.frame:g} follows one at {before:g}; frames must rise"
            )
    return checked


def _check_point(point: Point, unit: str) -> None:
    where, value = f"mix point at frame {point.frame:g}", point.value
    if point.shape not in SHAPES:
        raise SettingError(f"{where}: shape {point.shape!r} is unknown; use {', '.join(SHAPES)}")
    if value == OFF:
        return
    if isinstance(value, str) or not math.isfinite(value):
        raise SettingError(f"{where}: value {value!r} is neither a number nor {OFF!r}")
    if unit == "gain" and value < 0:
        raise SettingError(f"{where}: gain {value:g} is negative; the least is 0 or {OFF!r}")
