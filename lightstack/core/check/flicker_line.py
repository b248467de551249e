"""The line that flicker makes among the waves of a row profile: found, refined, measured.

References
----------
Scargle, Studies in astronomical time series analysis II, ApJ 263, 1982: power of a line against exponential noise.
Sheinin, Schechner, Kutulakos, Computational imaging on the electric grid, CVPR 2017: bands of a rolling shutter.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from lightstack.core.check.row_waves import (
    RowWaves,
    channel_power,
    fill_times,
    fit_background,
    flatten_profile,
    join_channels,
    measure_height,
    measure_power,
    split_segments,
    take_middle_off,
    weigh_profile,
    whiten_profile,
)
from lightstack.core.check.slow_beat import LEAST_CYCLES
from lightstack.records import BoolArray, FloatArray

__all__ = [
    "LEAST_FRAMES",
    "FlickerLine",
    "beat_tolerance",
    "find_flicker",
    "find_quick_flicker",
    "find_slow_flicker",
    "measure_limit",
]

LEAST_FRAMES = 24
LEAST_WHITE_HZ = 1.5  # slower waves are looked for in the frames as they are
LINE_RATIO = 12.0  # of the power beside it; noise alone gets there once in some thousand takes
FREE_LINE_RATIO = 30.0  # where no mains explains the line: people and moving lamps make lines of their own
MOST_LINES = 6  # looked at in turn
CODEC_PARTS = (2, 4)  # of the frame rate
COMB_SHARE = 0.4  # of a line's height, at half its frequency and at one and a half
DRIFT_DEGREE = 4  # of the curve that a drift follows beside a slow line
STAYS = 0.5  # of a slow line's power, beside such a drift; and the line's share of what the drift leaves
DRIFT_SHARE = 0.05  # of a drift's size: a fainter slow line may be its shape


@dataclass(frozen=True, slots=True)
class FlickerLine:
    """One line of the periodogram.

    ``frequency_hz`` as filmed; ``depth`` (3,) peak over mean per channel in the part of the picture that flickers most,
    ``depth_error`` (3,) its standard error; ``bands``: waves per picture height, signed (positive: later rows lag by a
    positive frequency); ``ratio``: power over that beside it; ``column``: the part of the picture, left to right.
    """

    frequency_hz: float
    depth: NDArray[np.float64]
    depth_error: NDArray[np.float64]
    bands: float
    ratio: float
    column: int


def find_flicker(
    rows: FloatArray, seconds: FloatArray, *, beats: tuple[float, ...] = (), rate: float | Fraction
) -> FlickerLine | None:
    """Find the strongest line of a row profile, or None where nothing stands out.

    Parameters
    ----------
    rows : (n, h, 3) or (n, h, columns, 3) log ratios, NaN unknown; what ``gather_row_profile`` gives.
    seconds : (n,) times of the frames; NaN: counted by ``rate``.
    beats : frequencies at which a line is believed more readily.

    Notes: a frequency above half the frame rate shows as its alias.
    """
    quick = find_quick_flicker(rows, seconds, beats=beats, rate=rate)
    return find_slow_flicker(rows, seconds, beats=beats, rate=rate) if quick is None else quick


def find_quick_flicker(
    rows: FloatArray, seconds: FloatArray, *, beats: tuple[float, ...] = (), rate: float | Fraction
) -> FlickerLine | None:
    """Find the strongest line above 1.5 Hz, or None; parameters as ``find_flicker``."""
    profile, times = flatten_profile(rows), fill_times(seconds, rate)
    if _count_frames(profile) < LEAST_FRAMES:
        return None
    return _search_line(whiten_profile(profile, times), times, beats, rate, lowest_hz=LEAST_WHITE_HZ)


def find_slow_flicker(
    rows: FloatArray, seconds: FloatArray, *, beats: tuple[float, ...] = (), rate: float | Fraction
) -> FlickerLine | None:
    """Find the strongest line from 1.5 cycles in the take on, or None; parameters as ``find_flicker``."""
    profile, times = flatten_profile(rows), fill_times(seconds, rate)
    if _count_frames(profile) < LEAST_FRAMES:
        return None
    lowest = LEAST_CYCLES / max(float(times[-1] - times[0]), 1e-9)  # fewer cycles look like light that drifts
    return _search_line(weigh_profile(take_middle_off(profile), lasting=True), times, beats, rate, lowest_hz=lowest)


def _count_frames(profile: NDArray[np.float64]) -> int:
    return int(np.isfinite(profile).any(axis=(1, 2, 3)).sum())


def measure_limit(
    rows: FloatArray, seconds: FloatArray, *, beats: tuple[float, ...] = (), rate: float | Fraction
) -> float:
    """Return the depth (peak over mean) of the faintest wave that ``find_flicker`` would find; NaN unknown.

    Notes: for a wave that is alike all over the picture, the worst of the ``beats`` above 1.5 Hz, or the median over
    frequencies where there are none. It rises with noise, with light that moves, and with every frame that is missing.
    """
    profile, times = flatten_profile(rows), fill_times(seconds, rate)
    if _count_frames(profile) < LEAST_FRAMES:
        return float("nan")
    waves = whiten_profile(profile, times)
    spectrum, frequencies, down, length = measure_power(join_channels(waves), times, float(rate))
    searched = frequencies >= max(LEAST_WHITE_HZ, 1.0 / length)
    if searched.sum() < 8:
        return float("nan")
    background = fit_background(spectrum[searched], frequencies[searched])[:, np.abs(down) < 0.6].max(axis=1)
    gains = np.array([waves.gain(float(f), float(rate)) for f in frequencies[searched]])
    limits = 2 * np.sqrt(LINE_RATIO * background / profile.shape[2]) / gains
    quick = [beat for beat in beats if beat >= LEAST_WHITE_HZ]
    return float(np.interp(quick, frequencies[searched], limits).max() if quick else np.median(limits))


def _search_line(
    waves: RowWaves,
    times: NDArray[np.float64],
    beats: tuple[float, ...],
    rate: float | Fraction,
    *,
    lowest_hz: float = 0.0,
) -> FlickerLine | None:
    """The line that stands out most from ``lowest_hz`` on, or None."""
    joined = join_channels(waves)
    spectrum, frequencies, down, length = measure_power(joined, times, float(rate))
    searched = frequencies >= max(lowest_hz, 1.0 / length)
    if searched.sum() < 8:
        return None
    spectrum, frequencies = spectrum[searched], frequencies[searched]
    ratio = spectrum / fit_background(spectrum, frequencies)
    near = np.zeros(len(frequencies), bool)
    for beat in beats:
        near |= np.abs(frequencies - beat) <= beat_tolerance(length)
    believed = np.where(near[:, None], ratio / LINE_RATIO, ratio / FREE_LINE_RATIO)
    believed[_codec_lines(spectrum, frequencies, down, length, rate=float(rate))] = 0
    if not waves.whitened:
        believed[_slopes(spectrum)] = 0
    for _ in range(MOST_LINES):
        at = np.unravel_index(np.argmax(believed), believed.shape)
        if believed[at] < 1:
            break
        frequency, bands = _refine_line(joined, times, float(frequencies[at[0]]), float(down[at[1]]), length)
        leftover = not waves.whitened and _is_leftover(joined, times, frequency, bands)
        if not leftover and not _is_pumping(joined, times, frequency, bands, lowest_hz, waves, float(rate)):
            return _measure_line(waves, times, frequency, bands, ratio=float(ratio[at]), rate=float(rate))
        believed[np.abs(frequencies - frequency) < 2 / length] = 0
    return None


def _codec_lines(
    spectrum: NDArray[np.float64],
    frequencies: NDArray[np.float64],
    down: NDArray[np.float64],
    length: float,
    *,
    rate: float,
) -> BoolArray:
    """Where a codec makes lines of its own: every second or fourth picture is coded otherwise than its neighbours.

    Notes: the same all over the picture; what is stronger as bands is not the codec's.
    """
    even = spectrum[:, np.abs(down) < 0.6].max(axis=1, keepdims=True)
    near = np.zeros(len(frequencies), bool)
    for part in CODEC_PARTS:
        near |= np.abs(frequencies - rate / part) < 2 / length
    return np.asarray(near[:, None] & (spectrum <= even))


def _slopes(spectrum: NDArray[np.float64]) -> BoolArray:
    """What lies on the slope of something slower than the lowest frequency: from there on down to the first valley."""
    rises = np.diff(spectrum, axis=0) > 0
    return np.logical_and.accumulate(~np.vstack([np.zeros((1, spectrum.shape[1]), bool), rises]), axis=0)


def _is_pumping(
    joined: NDArray[np.float64],
    times: NDArray[np.float64],
    frequency: float,
    bands: float,
    lowest_hz: float,
    waves: RowWaves,
    rate: float,
) -> bool:
    """Whether a line is one of a comb, as a codec makes where each refresh changes the picture a little.

    Notes: light that pulses has overtones, but nothing at half its frequency and at one and a half.
    """
    if abs(bands) > 0.6:
        return False
    comb = [f for f in (0.5 * frequency, 1.5 * frequency) if max(lowest_hz, 0.7) <= f <= rate / 2]
    heights = [
        np.abs(measure_height(joined, times, f, bands)).mean() / max(waves.gain(f, rate), 1e-3)
        for f in (frequency, *comb)
    ]
    return len(comb) > 0 and min(heights[1:]) > COMB_SHARE * heights[0]


def _is_leftover(joined: NDArray[np.float64], times: NDArray[np.float64], frequency: float, bands: float) -> bool:
    """Whether a slow line is but a part of something that changes slowly, such as light that drifts.

    Notes: what a periodogram's window lets through of a drift is weak beside it. Held against a curve and a wave at
    once, such a line goes into the curve, or leaves much of the change unexplained.
    """
    down = np.exp(-2j * np.pi * bands * (np.arange(joined.shape[1]) + 0.5) / joined.shape[1])
    sums = np.zeros(5)  # squares: in the periodogram, beside the curve, the curve, left by the curve, left by both
    for p in split_segments(times):
        x = 2 * (times[p] - times[p[0]]) / (times[p[-1]] - times[p[0]]) - 1
        turn = np.exp(2j * np.pi * frequency * times[p])
        curve = np.polynomial.legendre.legvander(x, DRIFT_DEGREE)
        basis = np.concatenate([curve, np.stack([turn, turn.conj()], axis=1)], axis=1)
        series = np.einsum("b,kbc->kc", down, joined[p]) / joined.shape[1]
        noise = float((np.abs(np.diff(series, 2, axis=0)) ** 2).mean()) / 6
        drift = curve @ np.linalg.lstsq(curve, series, rcond=None)[0]
        fit = np.linalg.lstsq(basis, series, rcond=None)[0]
        rests = [max(float((np.abs(series - one) ** 2).mean()) - noise, 0.0) for one in (drift, basis @ fit)]
        height = (np.abs(measure_height(joined[p], times[p], frequency, bands)) ** 2).sum()
        spread = np.abs(drift - drift.mean(axis=0)) ** 2
        sums += [height, (np.abs(fit[-2]) ** 2).sum(), spread.max(axis=0).sum(), *rests]
    height, beside, spread, left, rest = sums
    return bool(beside < STAYS * height or left - rest < STAYS * left or beside < (DRIFT_SHARE / 2) ** 2 * spread)


def _refine_line(
    joined: NDArray[np.float64], times: NDArray[np.float64], frequency: float, bands: float, length: float
) -> tuple[float, float]:
    """Move a line to the exact top of its power."""
    segments = split_segments(times)

    def lost(x: NDArray[np.float64]) -> float:
        at = (frequency + x[0] / length, bands + x[1])
        return -sum(float((np.abs(measure_height(joined[p], times[p], *at)) ** 2).sum()) for p in segments)

    scale = max(-lost(np.zeros(2)), 1e-30)
    options = {"xatol": 1e-3, "fatol": 1e-5}
    best = minimize(lambda x: lost(x) / scale, np.zeros(2), method="Nelder-Mead", options=options)
    step = np.clip(best.x, -0.5, 0.5)
    return float(frequency + step[0] / length), float(bands + step[1])


def _measure_line(
    waves: RowWaves, times: NDArray[np.float64], frequency: float, bands: float, *, ratio: float, rate: float
) -> FlickerLine:
    """Depth per channel in the column that flickers most; what lies beside the line is taken off as noise."""
    pieces = split_segments(times)
    length = float(np.mean([times[p[-1]] - times[p[0]] for p in pieces]))
    beside = [frequency + step / length for step in (-6, -5, -4, -3, 3, 4, 5, 6)]
    power = channel_power(waves, times, frequency, bands) / waves.gain(frequency, rate) ** 2
    around = [
        channel_power(waves, times, f, bands) / waves.gain(f, rate) ** 2 for f in beside if 1 / length <= f <= rate / 2
    ]
    floor = np.mean(around, axis=0) if around else 0 * power
    height = 2 * np.sqrt(np.maximum(power - floor, 0))
    error = np.sqrt(2 * floor / max(1, len(pieces) / 2)) + 1e-6  # segments overlap by half
    seen = waves.weights.sum(axis=(0, 1))
    seen = seen > 0.02 * seen.max()
    column = int(np.argmax(np.where(seen, height - 2 * error, -1).max(axis=1)))
    # the wave of ln(1 + m cos) has the height 2 (1 - sqrt(1 - m^2)) / m
    depth = 4 * height[column] / (4 + height[column] ** 2)
    return FlickerLine(frequency, np.where(seen[column], depth, 0), error[column], bands, ratio, column)


def beat_tolerance(length: float) -> float:
    """How far in Hz a line may lie off a beat: what the mains strays, and what a take of this length resolves."""
    return 0.08 + 0.5 / max(length, 1e-9)
