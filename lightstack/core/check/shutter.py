"""Shutters and mains light: the beat that a frame rate makes of it, and the shutters that are blind to it.

Lamps on mains of 50 Hz pulse at 100 Hz, on 60 Hz at 120 Hz. An exposure that lasts a whole number of pulses sees every
pulse alike on every frame and on every row of a rolling shutter.

References
----------
The frame of an exposure T over light 1 + m cos(2 pi f t) ripples by m |sinc(f T)|, sinc(x) = sin(pi x) / (pi x): the
Fourier transform of a box (Bracewell, The Fourier Transform and Its Applications, 3rd ed., 2000, chapter 4).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

__all__ = [
    "PULSES_PER_CYCLE",
    "Shutter",
    "beat_frequency",
    "clean_shutters",
    "exposure_seconds",
    "nearest_clean_shutter",
    "residual_flicker",
    "shutter_angle",
]

PULSES_PER_CYCLE = 2  # a lamp glows in both half waves of the mains


@dataclass(frozen=True, slots=True)
class Shutter:
    """A shutter: ``angle_deg`` at a frame rate, ``seconds`` of exposure, and ``residual``.

    ``residual``: the part of the light's own pulsing that stays in the picture as flicker, 0 (none) to 1 (all of it).
    """

    angle_deg: float
    seconds: float
    residual: float = 0.0

    @property
    def fraction(self) -> str:
        """The exposure as printed on cameras: "1/50 s", "1/47.95 s"."""
        return f"1/{1.0 / self.seconds:.2f}".rstrip("0").rstrip(".") + " s"


def exposure_seconds(angle_deg: float, rate: float | Fraction) -> float:
    """Return the exposure in seconds of a shutter angle at ``rate`` frames a second: t = (angle / 360) / rate."""
    require_positive("shutter angle", angle_deg)
    require_positive("frame rate", rate)
    return float(angle_deg) / 360.0 / float(rate)


def shutter_angle(seconds: float, rate: float | Fraction) -> float:
    """Return the shutter angle in degrees of an exposure of ``seconds`` at ``rate`` frames a second."""
    require_positive("exposure", seconds)
    require_positive("frame rate", rate)
    return float(seconds) * 360.0 * float(rate)


def beat_frequency(rate: float | Fraction, mains_hz: float) -> float:
    """Return the frequency in Hz at which mains light flickers in a film of ``rate`` frames a second.

    Twice the mains frequency, folded to 0 ... rate / 2 by the sampling of the frames: 24 a second under 50 Hz mains
    give 4.0, 25 a second 0.
    """
    require_positive("frame rate", rate)
    require_positive("mains frequency", mains_hz)
    exact, pulses = Fraction(rate), PULSES_PER_CYCLE * Fraction(mains_hz)
    return float(abs(pulses - exact * round(pulses / exact)))


def clean_shutters(rate: float | Fraction, mains_hz: float) -> tuple[Shutter, ...]:
    """Return every shutter up to 360 degrees that mains light does not flicker at, shortest first.

    angle = 360 n rate / (2 mains) for n = 1, 2, ...; empty where the frame is shorter than one pulse of the light.

    Notes: exact where the mains holds its frequency; it strays by some 0.1 % in large grids, by more on a generator.
    """
    require_positive("frame rate", rate)
    require_positive("mains frequency", mains_hz)
    step = 360 * Fraction(rate) / (PULSES_PER_CYCLE * Fraction(mains_hz))
    # a rate written as 23.976 must not lose the widest shutter to its last digit
    most = math.floor(360 / step * (1 + Fraction(1, 10**6)))
    return tuple(Shutter(float(n * step), n / (PULSES_PER_CYCLE * float(mains_hz))) for n in range(1, most + 1))


def nearest_clean_shutter(rate: float | Fraction, mains_hz: float, wanted_deg: float = 180.0) -> Shutter | None:
    """Return the clean shutter whose exposure is fewest stops away from ``wanted_deg``, or None where there is none."""
    shutters = clean_shutters(rate, mains_hz)
    return min(shutters, key=lambda s: abs(math.log2(s.angle_deg / wanted_deg)), default=None)


def residual_flicker(depth: float, frequency_hz: float, exposure_s: float) -> float:
    """Return the flicker that an exposure of ``exposure_s`` leaves of light pulsing by ``depth`` at ``frequency_hz``.

    depth |sinc(f T)|: the amplitude over the mean, as ``depth`` is (0 ... 1). ``frequency_hz`` is the light's own
    (100 Hz on 50 Hz mains), not the beat.
    """
    return float(depth) * abs(_sinc(float(frequency_hz) * float(exposure_s)))


def _sinc(x: float) -> float:
    return 1.0 if x == 0 else math.sin(math.pi * x) / (math.pi * x)


def require_positive(what: str, value: float | Fraction) -> None:
    if not float(value) > 0 or not math.isfinite(float(value)):
        raise ValueError(f"{what} {value} is not a number above 0")
