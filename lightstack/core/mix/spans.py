"""How a curve runs from one point to the next: the shapes of its spans."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["OFF", "SHAPES", "Point", "Span", "find_monotone_slopes", "make_spans", "to_gain"]

OFF = "off"
EXPONENTIAL_FALL_STOPS = 6.0  # how far an exponential span to off falls before the last step to nothing


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a curve. ``value``: gain or stops, or ``OFF``. ``shape`` leads to the next point."""

    frame: float
    value: float | str
    shape: str = "linear"


def to_gain(value: float | str, unit: str) -> float:
    """Return the gain of a value in gain or stops; ``OFF`` is 0."""
    if isinstance(value, str):
        return 0.0
    return float(value) if unit == "gain" else 2.0 ** float(value)


Span = Callable[[NDArray[np.float64]], NDArray[np.float64]]  # 0..1 along the span -> gain


def make_spans(points: Sequence[Point], unit: str) -> Iterator[tuple[Point, Point, Span]]:
    """Yield each span of checked points: its two points, and its function from 0..1 along it to gain."""
    smooth = _make_smooth_spans(points, unit)
    for number, (here, after) in enumerate(pairwise(points)):
        if here.shape == "smooth":
            yield here, after, smooth[number]
        else:
            yield here, after, SHAPES[here.shape](here.value, after.value, unit)


def _hold(value: float | str, after: float | str, unit: str) -> Span:
    return lambda t: np.full(len(t), to_gain(value, unit))


def _run_linear(value: float | str, after: float | str, unit: str) -> Span:
    if unit == "stops" and not isinstance(value, str) and not isinstance(after, str):
        return lambda t: 2.0 ** (value + (after - value) * t)
    low, high = to_gain(value, unit), to_gain(after, unit)
    return lambda t: low + (high - low) * t


def _run_ease(value: float | str, after: float | str, unit: str) -> Span:
    straight = _run_linear(value, after, unit)
    return lambda t: straight(t * t * (3 - 2 * t))


def _run_exponential(value: float | str, after: float | str, unit: str) -> Span:
    low, high = to_gain(value, unit), to_gain(after, unit)
    if low > 0 and high > 0:
        return lambda t: low * (high / low) ** t
    end = 2.0**-EXPONENTIAL_FALL_STOPS
    if low > 0:
        return lambda t: low * (end**t - end) / (1 - end)
    return lambda t: high * (end ** (1 - t) - end) / (1 - end)


def _make_smooth_spans(points: Sequence[Point], unit: str) -> dict[int, Span]:
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


def _make_spline(points: Sequence[Point], offset: int, unit: str, in_stops: bool) -> dict[int, Span]:
    frames = np.array([point.frame for point in points], np.float64)
    levels = [point.value if in_stops else to_gain(point.value, unit) for point in points]
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
    "ease": _run_ease,
    "exponential": _run_exponential,
}
