"""Waves of light in a row profile: a periodogram over time and down the picture.

A *row profile* is (n, bands, columns, 3): log ratios of frames to a take's middle, in tiles, NaN unknown. Light that
pulses makes a wave in time, and where rows are exposed one after the other a wave down the picture too.

References
----------
Scargle, Studies in astronomical time series analysis II, ApJ 263, 1982: power of a line against exponential noise.
Welch, The use of fast Fourier transform for the estimation of power spectra, IEEE Trans. AU-15(2), 1967.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from lightstack.records import FloatArray

__all__ = [
    "RowWaves", "channel_power", "fill_times", "fit_background", "flatten_profile", "hann_at", "join_channels",
    "measure_height", "measure_power", "split_segments", "take_middle_off", "weigh_profile", "whiten_profile",
]  # fmt: skip

LEAST_SEGMENT = 24  # frames
LOCAL_FRAMES, LOCAL_BANDS = 9, 9  # in which a tile is found quiet or not
TILE_SHARE = 4.0  # of the usual weight, the most that a quiet tile has
SEGMENT_SECONDS = 12.0  # mains frequency strays by some 0.02 Hz: longer waves fall out of step
MOST_WAVES = 20.0  # down the picture
PADDING = 4


@dataclass(frozen=True, slots=True)
class RowWaves:
    """A profile (n, bands, columns, 3) ready for the periodogram, 0 where unknown, and what each value weighs."""

    values: NDArray[np.float64]
    weights: NDArray[np.float64]
    whitened: bool

    def gain(self, frequency: float, rate: float) -> float:
        """What is left of a wave's height after whitening."""
        return 1 - float(np.cos(2 * np.pi * frequency / rate)) if self.whitened else 1.0


def flatten_profile(rows: FloatArray) -> NDArray[np.float64]:
    profile: NDArray[np.float64] = np.asarray(rows, np.float64)
    return profile[:, :, None, :] if profile.ndim == 3 else profile


def fill_times(seconds: FloatArray, rate: float | Fraction) -> NDArray[np.float64]:
    times: NDArray[np.float64] = np.asarray(seconds, np.float64)
    return times if np.isfinite(times).all() else np.arange(len(times)) / float(rate)


def take_middle_off(profile: NDArray[np.float64]) -> NDArray[np.float64]:
    empty = ~np.isfinite(profile).any(axis=0)
    return np.asarray(profile - np.nanmedian(np.where(empty, 0, profile), axis=0))


def whiten_profile(profile: NDArray[np.float64], times: NDArray[np.float64]) -> RowWaves:
    """Hold each frame against its neighbours: a lamp that moves, a knock, a passer-by hardly show then."""
    rest = np.full_like(profile, np.nan)
    if len(times) > 2:
        share = ((times[2:] - times[1:-1]) / np.maximum(times[2:] - times[:-2], 1e-9))[:, None, None, None]
        rest[1:-1] = profile[1:-1] - share * profile[:-2] - (1 - share) * profile[2:]
    return weigh_profile(rest, lasting=False)


def weigh_profile(profile: NDArray[np.float64], *, lasting: bool) -> RowWaves:
    """Drop what stands far off and weigh the rest by how quiet its tile is, at that time unless ``lasting``."""
    known = np.isfinite(profile)
    size = np.abs(np.where(known, profile, 0))
    usual = np.median(size, axis=0)
    if lasting:
        local = np.broadcast_to(usual, size.shape)
    else:
        local = median_filter(size, size=(LOCAL_FRAMES, 1, 1, 1), mode="nearest")
        # over tiles above and below too, or a value would be weighed by itself
        local = np.maximum(uniform_filter1d(local, LOCAL_BANDS, axis=1, mode="nearest"), usual)
    kept = known & (size <= 6 * local + 1e-3)
    quiet = np.where(usual > 0, 1 / (local**2 + 1e-7), 0)
    most = TILE_SHARE * np.median(quiet[quiet > 0]) if quiet.any() else 0.0
    weights = np.where(kept, np.minimum(quiet, most), 0.0)
    return RowWaves(np.where(kept, profile, 0.0), weights, not lasting)


def join_channels(waves: RowWaves) -> NDArray[np.float64]:
    """The channels' weighed mean, (n, bands, columns); the weights stay in it, their mean over a column is one."""
    mean = np.maximum(waves.weights.sum(-1).mean(axis=(0, 1)), 1e-12)
    return np.asarray((waves.values * waves.weights).sum(-1) / mean)


def split_segments(times: NDArray[np.float64]) -> list[NDArray[np.int64]]:
    """Indices of overlapping segments of at most ``SEGMENT_SECONDS``, each with enough frames."""
    whole = times[-1] - times[0]
    if whole <= SEGMENT_SECONDS * 1.25:
        return [np.arange(len(times))]
    count = int(np.ceil(2 * whole / SEGMENT_SECONDS)) - 1
    starts = times[0] + np.linspace(0, whole - SEGMENT_SECONDS, count)
    pieces = [np.flatnonzero((times >= s - 1e-9) & (times <= s + SEGMENT_SECONDS)) for s in starts]
    most = max(len(p) for p in pieces)
    return [p for p in pieces if len(p) >= max(LEAST_SEGMENT, most // 2)]


def measure_power(
    joined: NDArray[np.float64], times: NDArray[np.float64], rate: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], float]:
    """Power (frequencies, waves), mean over segments and summed over columns; and a segment's length in seconds."""
    down, waves = _transform_rows(joined)
    segments = split_segments(times)
    length = float(min(times[-1] - times[0] + 1 / rate, SEGMENT_SECONDS))
    count = PADDING * int(np.ceil(length * rate))
    frequencies = np.arange(1, count // 2 + 1) * rate / count
    total = np.zeros((len(frequencies), len(waves)))
    for piece in segments:
        window = hann_at(times[piece])
        lines = down[piece] * window[:, None, None]
        total += _transform_times(lines, times[piece] - times[piece[0]], frequencies, rate, count) / window.sum() ** 2
    return total / len(segments), frequencies, waves, length


def hann_at(times: NDArray[np.float64]) -> NDArray[np.float64]:
    span = max(float(times[-1] - times[0]), 1e-9) * (1 + 1 / len(times))
    return 0.5 - 0.5 * np.cos(2 * np.pi * (times - times[0] + 0.5 * span / len(times)) / span)


def _transform_rows(joined: NDArray[np.float64]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Fourier transform down the picture, (n, waves, columns); waves per picture height."""
    bands = joined.shape[1]
    waves = np.fft.fftfreq(PADDING * bands, 1 / bands)
    lines = np.fft.fft(joined, PADDING * bands, axis=1) / bands
    few = np.abs(waves) <= min(MOST_WAVES, bands / 3)
    return lines[:, few], waves[few]


def _transform_times(
    lines: NDArray[np.complex128], times: NDArray[np.float64], frequencies: NDArray[np.float64], rate: float, count: int
) -> NDArray[np.float64]:
    """Power at ``frequencies``, summed over columns: (frequencies, waves). Even times go the fast way."""
    places = np.rint(times * rate).astype(int)
    if np.abs(times * rate - places).max() < 0.1 and places[-1] < count:
        grid = np.zeros((count, *lines.shape[1:]), np.complex128)
        np.add.at(grid, places, lines)
        line = np.fft.fft(grid, axis=0)[1 : len(frequencies) + 1]
    else:
        turn = np.exp(-2j * np.pi * frequencies[:, None] * times)
        line = np.tensordot(turn, lines, axes=1)
    return np.asarray((np.abs(line) ** 2).sum(-1))


def fit_background(power: NDArray[np.float64], frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean power that a smooth background has, (frequencies, waves): a parabola in the logarithms, lines left out."""
    x = np.log(frequencies / frequencies[-1])
    columns = np.stack([np.ones_like(x), x, x**2], axis=1)
    heights = np.log(power + 1e-30)
    # each octave counts alike, or the many high frequencies alone would say what lies at the low ones
    share = np.sqrt(1 / (frequencies + frequencies[-1] / 8))
    background = np.empty_like(power)
    for w in range(power.shape[1]):
        weights = share.copy()
        for _ in range(4):
            fit = columns @ np.linalg.lstsq(columns * weights[:, None], heights[:, w] * weights, rcond=None)[0]
            above = heights[:, w] - fit
            weights = share * np.where(above > 1.0, 0.05, 1.0)
        background[:, w] = np.exp(fit)
    # the logarithm's mean lies below the mean's logarithm, and one row of waves alone says little
    level = np.median(power / background, axis=0) / 0.85
    background *= np.maximum(level, 1.0)
    return background + 0.25 * np.median(background, axis=1, keepdims=True) + 1e-16


def measure_height(
    joined: NDArray[np.float64], times: NDArray[np.float64], frequency: float, bands: float
) -> NDArray[np.complex128]:
    """Complex height (columns,) of a wave over a run of frames, half its amplitude."""
    window = hann_at(times)
    down = np.exp(-2j * np.pi * bands * (np.arange(joined.shape[1]) + 0.5) / joined.shape[1])
    along = np.exp(-2j * np.pi * frequency * times) * window
    return np.einsum("k,b,kbc->c", along, down, joined) / (window.sum() * joined.shape[1])


def channel_power(waves: RowWaves, times: NDArray[np.float64], frequency: float, bands: float) -> NDArray[np.float64]:
    """Squared half height of a wave, (columns, 3), the mean over segments."""
    down = np.exp(-2j * np.pi * bands * (np.arange(waves.values.shape[1]) + 0.5) / waves.values.shape[1])
    power = []
    for p in split_segments(times):
        along = np.exp(-2j * np.pi * frequency * times[p]) * hann_at(times[p])
        weights = waves.weights[p]
        height = np.einsum("k,b,kbcx->cx", along, down, waves.values[p] * weights)
        whole = np.einsum("k,kbcx->cx", np.abs(along), weights)
        power.append(np.abs(height / np.maximum(whole, 1e-12)) ** 2)
    return np.asarray(np.mean(power, axis=0))
