"""Envelopes: a rise, a stay, a fall to a lower level, a stay there, the fall to off; once, or again and again."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lightstack.core.mix.curve import evaluate
from lightstack.core.mix.spans import OFF, Point
from lightstack.errors import SettingError

__all__ = ["Envelope", "evaluate_envelope", "list_points"]

MOST_RUNS = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Envelope:
    """One envelope, lengths in frames. ``start``: shot frame at which the rise begins.

    ``peak``, ``sustain``: gain or stops, or ``OFF`` (then the decay is the fall back to off, and ``stay`` and
    ``release`` do not count). ``every``: frames from one start to the next, None for once. ``times``: how
    often, None for without end. Where one run overlaps the next, the brighter holds.
    """

    start: float
    attack: float
    hold: float = 0
    decay: float
    peak: float | str = 1.0
    sustain: float | str = OFF
    stay: float = 0
    release: float = 0
    every: float | None = None
    times: int | None = None
    attack_shape: str = "smooth"
    decay_shape: str = "exponential"
    release_shape: str = "exponential"
    unit: str = "gain"


def evaluate_envelope(envelope: Envelope, frames: ArrayLike) -> NDArray[np.float64]:
    """Return the gain at real-valued shot frames, any shape, float64.

    Raises SettingError for a negative length, repeats that never come or come too often, and as ``evaluate`` does.
    """
    at = np.asarray(frames, np.float64)
    points = list_points(envelope)
    gains = np.zeros(at.shape)
    for run in list_runs(envelope, points, at):
        gains = np.maximum(gains, evaluate(points, at - run * (envelope.every or 0.0), unit=envelope.unit))
    return gains


def list_runs(envelope: Envelope, points: list[Point], at: NDArray[np.float64]) -> range:
    """Return the numbers of the runs, 0 the first, that can be seen at any of the frames."""
    if envelope.every is None:
        return range(1)
    if envelope.every <= 0:
        raise SettingError(f"the envelope comes back every {envelope.every:g} frames; write a number above 0")
    if not at.size:
        return range(0)
    begin = max(0, math.floor((float(at.min()) - points[-1].frame) / envelope.every))
    end = max(0, math.floor((float(at.max()) - points[0].frame) / envelope.every) + 1)
    end = end if envelope.times is None else min(end, envelope.times)
    if end - begin > MOST_RUNS:
        raise SettingError(f"the envelope comes back {end - begin} times in the shot; raise `every`")
    return range(begin, end)


def list_points(envelope: Envelope) -> list[Point]:
    """Return the points of one run. A part of no length switches: what was holds through its last frame."""
    e = envelope
    for name in ("attack", "hold", "decay", "stay", "release"):
        length = getattr(e, name)
        if length < 0:
            raise SettingError(f"the {name} of the envelope is {length:g} frames; it must not be negative")
    top, fall = e.start + e.attack, e.start + e.attack + e.hold
    points = [Point(e.start, OFF, e.attack_shape) if e.attack else Point(e.start - 1, OFF, "hold")]
    if e.hold:
        points.append(Point(top, e.peak, "linear"))
    points.append(Point(fall, e.peak, e.decay_shape if e.decay else "hold"))
    end = fall + (e.decay or 1)
    if e.sustain == OFF:
        return [*points, Point(end, OFF)]
    if e.stay:
        points.append(Point(end, e.sustain, "linear"))
        end += e.stay
    points.append(Point(end, e.sustain, e.release_shape if e.release else "hold"))
    return [*points, Point(end + (e.release or 1), OFF)]
