"""What plays on a mix: pulses, flicker, and levels that are followed. All times are real-valued shot frames.

Every modulator gives its gains over cells of time: ``at`` is the middle of a cell, ``width`` its length in frames, 0
for the moment itself. Over a cell a pulse is averaged exactly, whatever its edges are: none is missed between samples.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import SettingError

__all__ = ["ALWAYS", "COMBINES", "PULSE_SHAPES", "Modulator", "Pulse", "Stretch", "Track", "combine", "measure_pulse"]

Floats = NDArray[np.float64]
FALL = 2.0**-6  # where a pulse that falls exponentially is cut off, as the spans of a curve are
NARROW = 1e-9  # cells shorter than this, in frames, are moments


class Modulator(Protocol):
    """Anything that plays on a mix. ``how``: one of ``COMBINES``."""

    @property
    def how(self) -> str: ...

    @property
    def within(self) -> Stretch: ...

    def gains_over(self, at: Floats, width: Floats) -> Floats:
        """Return what is combined with the mix over each cell; ``at`` and ``width`` broadcast."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """First and last shot frame that a modulator has a say in; None: from or to wherever the shot goes."""

    first: float | None = None
    last: float | None = None

    def holds(self, at: Floats) -> NDArray[np.bool_]:
        """Return at which times the modulator plays; a frame lasts half a frame to either side."""
        low = -math.inf if self.first is None else self.first - 0.5
        high = math.inf if self.last is None else self.last + 0.5
        return (at >= low) & (at < high)


ALWAYS = Stretch()
COMBINES: dict[str, Callable[[Floats, Floats], Floats]] = {
    "multiply": np.multiply,
    "add": np.add,
    "max": np.maximum,
}


def combine(gains: Floats, modulator: Modulator, at: Floats, width: Floats) -> Floats:
    """Return the gains after a modulator has played on them; outside its stretch they stay."""
    inside = modulator.within.holds(at)
    if not inside.any():
        return gains
    played = COMBINES[modulator.how](gains, modulator.gains_over(at, width))
    return np.where(inside, played, gains)


# --- pulses ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """Pulses at a steady rate, or at listed frames.

    ``begin``: shot frame at which a steady train has a pulse beginning. ``period``: frames from one to the next, None
    where ``frames`` lists where they begin. ``width``: length of one pulse, frames. ``depth``: with "multiply" the
    light falls by this share between pulses; with "add" and "max" it is the gain at the pulse's top.
    """

    period: float | None
    width: float
    depth: float
    begin: float = 0.0
    frames: tuple[float, ...] = ()
    shape: str = "square"
    how: str = "multiply"
    within: Stretch = ALWAYS

    def gains_over(self, at: Floats, width: Floats) -> Floats:
        """Return the pulses' gains, averaged over each cell."""
        wave = measure_pulse(self, at, width)
        return 1 - self.depth * (1 - wave) if self.how == "multiply" else self.depth * wave


def measure_pulse(pulse: Pulse, at: Floats, width: Floats) -> Floats:
    """Return the mean of a pulse train over each cell, 0 to 1.

    Raises SettingError for listed pulses that overlap, a width that is not above 0 or longer than the period.
    """
    _check_pulse(pulse)
    at, width = np.broadcast_arrays(np.asarray(at, np.float64), np.asarray(width, np.float64))
    moment = width < NARROW
    wave = np.empty(at.shape)
    wave[moment] = _wave_at(pulse, at[moment])
    spans, middle = width[~moment], at[~moment]
    wave[~moment] = (_wave_until(pulse, middle + spans / 2) - _wave_until(pulse, middle - spans / 2)) / spans
    return np.clip(wave, 0.0, 1.0)


def _check_pulse(pulse: Pulse) -> None:
    if not pulse.width > 0:
        raise SettingError(f"a pulse is {pulse.width:g} frames wide; write a width above 0")
    if pulse.period is not None:
        if pulse.width > pulse.period * (1 + 1e-9):
            every = f"come every {pulse.period:g}"
            raise SettingError(f"pulses are {pulse.width:g} frames wide but {every}; make them narrower")
        return
    for before, after in zip(pulse.frames, pulse.frames[1:], strict=False):
        if after < before + pulse.width - 1e-9:
            apart = f"list rising frames, at least {pulse.width:g} apart"
            raise SettingError(f"pulses at frames {before:g} and {after:g} overlap; {apart}")


def _wave_at(pulse: Pulse, at: Floats) -> Floats:
    """Return the wave at moments."""
    wave, _, _ = PULSE_SHAPES[pulse.shape]
    if pulse.period is not None:
        # an edge that falls on a frame belongs to it, also where the period is no exact binary number
        along = np.mod(at - pulse.begin + 1e-9, pulse.period) / pulse.width
        return np.where(along < 1, wave(np.minimum(along, 1.0)), 0.0)
    begins = np.asarray(pulse.frames, np.float64)
    last = np.searchsorted(begins, at + 1e-9, side="right") - 1
    along = np.where(last >= 0, (at - begins[np.maximum(last, 0)]) / pulse.width, np.inf)
    return np.where(along < 1 - 1e-12, wave(np.clip(along, 0.0, 1.0)), 0.0)


def _wave_until(pulse: Pulse, at: Floats) -> Floats:
    """Return the wave's integral up to each time, frames; from where it is counted does not matter."""
    _, until, whole = PULSE_SHAPES[pulse.shape]
    if pulse.period is not None:
        number = np.floor((at - pulse.begin) / pulse.period)
        along = (at - pulse.begin - number * pulse.period) / pulse.width
        return pulse.width * (number * whole + until(np.clip(along, 0.0, 1.0)))
    begins = np.asarray(pulse.frames, np.float64)
    last = np.searchsorted(begins, at, side="right") - 1
    along = np.where(last >= 0, (at - begins[np.maximum(last, 0)]) / pulse.width, 0.0)
    return pulse.width * (np.maximum(last, 0) * whole + until(np.clip(along, 0.0, 1.0)))


def _fall(t: Floats) -> Floats:
    return (FALL**t - FALL) / (1 - FALL)


def _fall_until(t: Floats) -> Floats:
    return ((FALL**t - 1) / math.log(FALL) - FALL * t) / (1 - FALL)


def _triangle_until(t: Floats) -> Floats:
    return np.where(t < 0.5, t * t, 0.5 - (1 - t) ** 2)


# Shape -> the wave over 0..1 along a pulse, its integral from 0, and the integral of the whole.
PULSE_SHAPES: dict[str, tuple[Callable[[Floats], Floats], Callable[[Floats], Floats], float]] = {
    "square": (np.ones_like, lambda t: t, 1.0),
    "triangle": (lambda t: 1 - np.abs(2 * t - 1), _triangle_until, 0.5),
    "round": (
        lambda t: 0.5 - 0.5 * np.cos(2 * np.pi * t),
        lambda t: t / 2 - np.sin(2 * np.pi * t) / (4 * np.pi),
        0.5,
    ),
    "fall": (_fall, _fall_until, float(_fall_until(np.float64(1.0)))),  # type: ignore[arg-type]
}


# --- what is followed ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """A level that is followed: ``values[i]`` at shot frame ``begin + i * step``; beyond its ends they hold."""

    begin: float
    step: float
    values: Floats
    how: str = "multiply"
    within: Stretch = ALWAYS

    def gains_over(self, at: Floats, width: Floats) -> Floats:
        """Return the level in the middle of each cell, straight between values."""
        places = self.begin + self.step * np.arange(len(self.values))
        return np.interp(at, places, self.values)
