"""The mix curve: how bright the light is at each shot frame.

A curve is a list of points, each (frame, value, shape); the shape says how the curve runs from that point
to the next. Values are gains (1 = as shot) or stops (0 = as shot, +1 = twice the light), or ``OFF``, which
is no light at all. Off has no number of stops, so a span to or from it always runs in gain. Before the
first point and after the last one the curve keeps their values.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import SettingError
from lightstack.records import MixCurve

__all__ = ["OFF", "SHAPES", "UNITS", "Point", "make_curve", "make_envelope"]

OFF = "off"
UNITS = ("gain", "stops")
EXPONENTIAL_FALL_STOPS = 6.0  # how far an exponential span to off falls before the last step to nothing


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a curve. ``value``: gain or stops, or ``OFF``. ``shape`` leads to the next point."""

    frame: float
    value: float | str
    shape: str = "linear"


def make_curve(points: Sequence[Point | Sequence], *, first: int, last: int, unit: str = "gain") -> MixCurve:
    """Make the mix curve that runs through the points.

    ``points``: ``Point`` or (frame, value[, shape]), frames rising; at least one. ``first``, ``last``:
    shot frames of the result, inclusive. ``unit``: "gain" or "stops".

    Raises SettingError for unknown units or shapes, frames that do not rise, or values that are not
    finite or (in gain) negative.

    Notes: ``hold`` keeps the value until the next point. ``linear`` is straight in the unit. ``smooth`` is
    a cubic that never leaves the range of its two points. ``exponential`` changes by the same factor every
    frame; to off it falls by 6 stops and is shifted to end at exactly nothing, from off it is the mirror.

    References: Fritsch and Carlson 1980, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal.
    17(2). The slopes are the weighted harmonic means of Fritsch and Butland 1984, SIAM J. Sci. Stat.
    Comput. 5(2).
    """
    checked = _check_points(points, unit)
    if last < first:
        raise SettingError(f"the mix ends at frame {last}, before it begins at {first}")
    frames = np.arange(first, last + 1, dtype=np.float64)
    gains = np.full(len(frames), _to_gain(checked[0].value, unit))
    for here, after, span in _make_spans(checked, unit):
        inside = (frames >= here.frame) & (frames < after.frame)
        gains[inside] = span((frames[inside] - here.frame) / (after.frame - here.frame))
    gains[frames >= checked[-1].frame] = _to_gain(checked[-1].value, unit)
    return MixCurve(first_frame=first, gains=np.maximum(gains, 0.0))


def make_envelope(
    start: int,
    *,
    attack: int,
    hold: int,
    decay: int,
    peak: float = 1.0,
    first: int,
    last: int,
    unit: str = "gain",
    attack_shape: str = "smooth",
    decay_shape: str = "exponential",
) -> MixCurve:
    """Make a mix that rises from off, stays, and falls back to off.

    ``start``: shot frame at which the rise begins. ``attack``, ``hold``, ``decay``: lengths in frames, 0
    allowed. ``peak``: gain or stops. Returns a curve over ``first``..``last``.

    Raises SettingError for a negative length, and as ``make_curve`` does.
    """
    for name, length in (("attack", attack), ("hold", hold), ("decay", decay)):
        if length < 0:
            raise SettingError(f"the {name} of the envelope is {length} frames; it must not be negative")
    top, fall = start + attack, start + attack + hold
    points = [Point(start, OFF, attack_shape) if attack else Point(start - 1, OFF, "hold")]
    if hold:
        points.append(Point(top, peak, "linear"))
    points.append(Point(fall, peak, decay_shape if decay else "hold"))
    points.append(Point(fall + (decay or 1), OFF))
    return make_curve(points, first=first, last=last, unit=unit)


def _check_points(points: Sequence[Point | Sequence], unit: str) -> list[Point]:
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


def _to_gain(value: float | str, unit: str) -> float:
    if isinstance(value, str):
        return 0.0
    return float(value) if unit == "gain" else 2.0 ** float(value)


Span = Callable[[NDArray[np.float64]], NDArray[np.float64]]  # 0..1 along the span -> gain


def _make_spans(points: list[Point], unit: str) -> Iterator[tuple[Point, Point, Span]]:
    """Yield each span with its function."""
    smooth = _make_smooth_spans(points, unit)
    for number, (here, after) in enumerate(pairwise(points)):
        if here.shape == "smooth":
            yield here, after, smooth[number]
        else:
            yield here, after, SHAPES[here.shape](here.value, after.value, unit)


def _hold(value: float | str, after: float | str, unit: str) -> Span:
    return lambda t: np.full(len(t), _to_gain(value, unit))


def _run_linear(value: float | str, after: float | str, unit: str) -> Span:
    if unit == "stops" and not isinstance(value, str) and not isinstance(after, str):
        return lambda t: 2.0 ** (value + (after - value) * t)
    low, high = _to_gain(value, unit), _to_gain(after, unit)
    return lambda t: low + (high - low) * t


def _run_exponential(value: float | str, after: float | str, unit: str) -> Span:
    low, high = _to_gain(value, unit), _to_gain(after, unit)
    if low > 0 and high > 0:
        return lambda t: low * (high / low) ** t
    end = 2.0**-EXPONENTIAL_FALL_STOPS
    if low > 0:
        return lambda t: low * (end**t - end) / (1 - end)
    return lambda t: high * (end ** (1 - t) - end) / (1 - end)


def _make_smooth_spans(points: list[Point], unit: str) -> dict[int, Span]:
    """Give the smooth spans by the number of their first point.

    Neighbouring smooth spans that run in the same unit share one spline, so that they meet without a kink.
    """
    in_stops = [
        unit == "stops" and not isinstance(here.value, str) and not isinstance(after.value, str)
        for here, after in pairwise(points)
    ]
    spans: dict[int, Span] = {}
    start = 0
    while start < len(points) - 1:
        stop = start
        while stop < len(in_stops) and points[stop].shape == "smooth" and in_stops[stop] == in_stops[start]:
            stop += 1
        if stop > start:
            spans |= _make_spline(points[start : stop + 1], start, unit, in_stops[start])
        start = max(stop, start + 1)
    return spans


def _make_spline(points: list[Point], offset: int, unit: str, in_stops: bool) -> dict[int, Span]:
    frames = np.array([point.frame for point in points], np.float64)
    levels = [point.value if in_stops else _to_gain(point.value, unit) for point in points]
    values = np.array(levels, np.float64)
    slopes = find_monotone_slopes(frames, values)
    spans: dict[int, Span] = {}
    for k in range(len(points) - 1):
        length = frames[k + 1] - frames[k]
        ends = (values[k], values[k + 1], slopes[k] * length, slopes[k + 1] * length)
        spans[offset + k] = _run_cubic(ends, in_stops)
    return spans


def _run_cubic(ends: tuple[float, float, float, float], in_stops: bool) -> Span:
    low, high, slope_low, slope_high = ends

    def run(t: NDArray[np.float64]) -> NDArray[np.float64]:
        value = (
            (1 + 2 * t) * (1 - t) ** 2 * low
            + t * (1 - t) ** 2 * slope_low
            + t * t * (3 - 2 * t) * high
            + t * t * (t - 1) * slope_high
        )
        return np.asarray(2.0**value if in_stops else value)

    return run


def find_monotone_slopes(frames: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give slopes at the points that keep a cubic through them monotone between them.

    ``frames``, ``values``: ``(n,)`` float64, n >= 2, frames rising. Returns ``(n,)``, value per frame.

    References: Fritsch and Butland 1984 (inner points); the three-point end formula, limited so that the
    end span stays monotone.
    """
    lengths = np.diff(frames)
    secants = np.diff(values) / lengths
    if len(frames) == 2:
        return np.repeat(secants, 2)
    slopes = np.zeros(len(frames))
    same_sign = (np.sign(secants[:-1]) * np.sign(secants[1:])) > 0
    before, after = 2 * lengths[1:] + lengths[:-1], lengths[1:] + 2 * lengths[:-1]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        harmonic = (before + after) / (before / secants[:-1] + after / secants[1:])
    slopes[1:-1] = np.where(same_sign, harmonic, 0.0)
    slopes[0] = _find_end_slope(lengths[0], lengths[1], secants[0], secants[1])
    slopes[-1] = _find_end_slope(lengths[-1], lengths[-2], secants[-1], secants[-2])
    return slopes


def _find_end_slope(near: float, far: float, secant: float, next_secant: float) -> float:
    slope = ((2 * near + far) * secant - near * next_secant) / (near + far)
    if slope * secant <= 0:
        return 0.0
    if secant * next_secant <= 0 and abs(slope) > 3 * abs(secant):
        return 3 * secant
    return float(slope)


SHAPES: dict[str, Callable[[float | str, float | str, str], Span]] = {
    "hold": _hold,
    "linear": _run_linear,
    "smooth": _run_linear,  # a lone name here; its spans come from _make_smooth_spans
    "exponential": _run_exponential,
}
