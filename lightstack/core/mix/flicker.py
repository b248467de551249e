"""Flicker: noise of a band of frequencies, the same for the same seed, at any real-valued frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.mix.modulate import ALWAYS, Stretch
from lightstack.errors import SettingError

__all__ = ["SPECTRA", "Flicker", "Spectrum", "make_tones"]

TONES = 192  # sines that make one flicker; so many that no beat of them is seen
MOST_AT_ONCE = 1 << 20  # cells of which the noise is made at a time


@dataclass(frozen=True, slots=True)
class Spectrum:
    """What makes a flicker. ``low``, ``high``: Hz. ``knee``: Hz above which power falls as 1/f^``fall``.

    ``depth``: standard deviation as a share of the light.
    """

    low: float
    high: float
    knee: float
    fall: float
    depth: float


# Chosen by us, by eye and by what flames and welding do at ordinary frame rates; no standard says them.
SPECTRA = {
    "flat": Spectrum(low=1.0, high=8.0, knee=8.0, fall=0.0, depth=0.1),
    "candle": Spectrum(low=0.3, high=8.0, knee=1.2, fall=2.0, depth=0.12),
    "spark": Spectrum(low=3.0, high=12.0, knee=12.0, fall=0.0, depth=0.4),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Flicker:
    """Band-limited noise about 1 ("multiply") or about 0 ("add", "max"); frequencies in cycles per frame."""

    low: float
    high: float
    depth: float
    seed: int = 1
    knee: float | None = None
    fall: float = 0.0
    how: str = "multiply"
    within: Stretch = ALWAYS

    def gains_over(self, at: NDArray[np.float64], width: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the noise's mean over each cell; a factor that the noise would take below 0 is 0."""
        at, width = np.broadcast_arrays(at, width)
        noise = np.empty(at.size)
        tones = make_tones(self)
        for begin in range(0, at.size, MOST_AT_ONCE):
            part = slice(begin, begin + MOST_AT_ONCE)
            noise[part] = _sum_tones(tones, at.ravel()[part], width.ravel()[part])
        swing = self.depth * noise.reshape(at.shape)
        return np.maximum(1.0 + swing, 0.0) if self.how == "multiply" else swing


Tones = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def make_tones(flicker: Flicker) -> Tones:
    """Return frequencies (cycles per frame), amplitudes and phases of the sines, each ``(n,)``.

    Their sum has variance 1.

    Raises SettingError for a band that is none.

    Notes
    -----
    One frequency is drawn in each of ``TONES`` equal parts of the band, so that the band is filled evenly and the sum
    does not come back within a shot. Random numbers are the raw stream of a counter, which never changes between
    versions of the library.
    """
    if not 0 <= flicker.low < flicker.high:
        band = f"{flicker.low:g} to {flicker.high:g} cycles per frame"
        raise SettingError(f"flicker runs from {band}; write low below high")
    raw = np.random.Philox(key=flicker.seed).random_raw(2 * TONES)
    drawn = (raw >> np.uint64(11)).astype(np.float64) * 2.0**-53
    frequency = flicker.low + (flicker.high - flicker.low) * (np.arange(TONES) + drawn[:TONES]) / TONES
    knee = flicker.high if flicker.knee is None else flicker.knee
    power = np.minimum(1.0, (knee / np.maximum(frequency, 1e-12)) ** flicker.fall)
    amplitude = np.sqrt(2 * power / power.sum())
    return frequency, amplitude, 2 * np.pi * drawn[TONES:]


def _sum_tones(tones: Tones, at: NDArray[np.float64], width: NDArray[np.float64]) -> NDArray[np.float64]:
    total = np.zeros(len(at))
    for frequency, amplitude, phase in zip(*tones, strict=True):
        tone = np.cos(2 * np.pi * frequency * at + phase)
        total += amplitude * tone * np.sinc(frequency * width)  # the mean of a sine over a cell is exactly this
    return total
