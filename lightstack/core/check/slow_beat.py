"""Beats of the mains that hardly go through a cycle within a take: bands that crawl, and light that swings evenly.

A beat that does not go through a cycle or two within the take looks, in a picture's brightness, like light that drifts.
Where rows are exposed one after the other it makes waves down the picture as well, and those crawl at a known pace.
Without bands it is told from a drift only by its shape, once that has turned and come back.

References
----------
Sheinin, Schechner, Kutulakos, Computational imaging on the electric grid, CVPR 2017: bands of a rolling shutter.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.row_waves import MOST_WAVES, fill_times, flatten_profile
from lightstack.records import FloatArray

__all__ = ["EVEN_CYCLES", "LEAST_CYCLES", "SlowBands", "find_slow_bands", "find_slow_swing"]

LEAST_CYCLES = 1.5  # of a wave within a take, from which on its brightness alone tells it from a drift
EVEN_CYCLES = 1.3  # of a beat within a take, from which on its exact shape tells an even swing from a drift
STRAYS_HZ = 0.04  # of pulsing light, as mains stray by 0.02 Hz
STEPS = 9  # of the frequency, that far to both sides
SWING_LEFT = (0.12, 0.1)  # most that a swing leaves: of what a drift leaves, and of the swing
SWING_SHARE = 0.8  # of all that changes, at least
LEAST_TURN = 0.15  # of a cycle; less hardly moves the bands
LEAST_BANDS, STEP_BANDS = 0.8, 0.1  # down the picture: less is a slope, as of a lamp that drifts
STANDS_OUT = 12.0  # of the power that other numbers of bands have
AGREES = 0.8  # the columns' waves, added up over their sizes: a lamp's bands run through the whole picture
LEAST_SHARE = 0.3  # of all that changes slowly, beyond what changes everywhere alike


@dataclass(frozen=True, slots=True)
class SlowBands:
    """``depth`` (3,) peak over mean per channel, ``depth_error`` (3,), ``bands`` per picture height, signed."""

    depth: NDArray[np.float64]
    depth_error: NDArray[np.float64]
    bands: float
    ratio: float


def find_slow_bands(rows: FloatArray, seconds: FloatArray, *, beat: float, rate: float | Fraction) -> SlowBands | None:
    """Find bands that crawl by ``beat`` cycles a second, or None.

    ``rows``: (n, h, 3) or (n, h, columns, 3) log ratios, NaN unknown; ``seconds``: (n,) times, NaN: counted by
    ``rate``.

    Notes: what stands (the set) and what changes on all rows alike (a drift, flicker without bands) is taken off first,
    of the data and of the waves that are fitted alike.
    """
    profile, times = _keep_whole(flatten_profile(rows), fill_times(seconds, rate))
    if profile is None or beat * (times[-1] - times[0]) < LEAST_TURN:
        return None
    rest = _take_even_off(profile)
    steps = np.arange(LEAST_BANDS, min(MOST_WAVES, profile.shape[1] / 3), STEP_BANDS)
    bands = np.r_[-steps[::-1], steps]
    heights = np.stack([_fit_wave(rest, times, beat, b) for b in bands])  # (bands, columns, 3) complex
    power = (np.abs(heights) ** 2).sum(axis=(1, 2))
    at = int(np.argmax(power))
    apart = np.abs(np.abs(bands) - abs(bands[at])) > 1.0
    beside = power[apart]
    if len(beside) < 8:
        return None
    ratio = float(power[at] / max(np.median(beside), 1e-30))
    found = heights[at]
    agrees = np.abs(found.sum(axis=0)).sum() / max(np.abs(found).sum(), 1e-30)
    if ratio < STANDS_OUT or agrees < AGREES or _share(rest, times, beat, float(bands[at]), found) < LEAST_SHARE:
        return None
    depth = np.abs(found.mean(axis=0))
    error = np.sqrt(np.median(np.abs(heights.mean(axis=1))[apart] ** 2, axis=0))
    return SlowBands(depth, error + 1e-6, float(bands[at]), ratio)


def find_slow_swing(rows: FloatArray, seconds: FloatArray, *, beat: float, rate: float | Fraction) -> SlowBands | None:
    """Find light that swings by ``beat`` cycles a second on all rows alike, or None; parameters as ``find_slow_bands``.

    Notes: a swing on a straight drift is held against a cubic drift, which is as free. Light that drifts, or that goes
    up and down once, is never so exactly a cosine of a known pace.
    """
    profile, times = _keep_whole(flatten_profile(rows), fill_times(seconds, rate))
    if profile is None or beat * (times[-1] - times[0]) < EVEN_CYCLES:
        return None
    known = np.isfinite(profile).any(axis=0)
    level = np.nan_to_num(profile).sum(axis=1) / np.maximum(known.sum(axis=0), 1)  # (n, columns, 3)
    seen: NDArray[np.bool_] = np.asarray(known.any(axis=0))
    joint = level[:, seen].mean(axis=1)
    x = 2 * (times - times[0]) / (times[-1] - times[0]) - 1
    noise = float(np.mean(np.diff(joint, 2) ** 2)) / 6
    drift_left = _leave(np.vander(x, 4), joint)[1]
    tried = [beat + stray for stray in np.linspace(-STRAYS_HZ, STRAYS_HZ, STEPS) if beat + stray > 0.5 * beat]
    bases = [_swing(times, x, hz) for hz in tried]
    at = int(np.argmin([_leave(basis, joint)[1] for basis in bases]))
    fit, left = _leave(bases[at], joint)
    height = float(np.hypot(*fit[:2]))
    rest = np.sqrt(max(left - noise, 0.0))
    limits = SWING_LEFT[0] * np.sqrt(max(drift_left - noise, 0.0)), SWING_LEFT[1] * height
    if rest > min(limits) or height**2 / 2 < 12 * noise / len(times) or height < SWING_SHARE * _half_range(joint):
        return None
    return _measure_swing(bases[at], level, seen, height**2 / max(left, 1e-30))


def _swing(times: NDArray[np.float64], x: NDArray[np.float64], hz: float) -> NDArray[np.float64]:
    phase = 2 * np.pi * hz * times
    return np.stack([np.cos(phase), np.sin(phase), np.ones_like(x), x], axis=1)


def _leave(basis: NDArray[np.float64], values: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Factors of the fit that is best, and the mean square that it leaves."""
    fit = np.asarray(np.linalg.lstsq(basis, values, rcond=None)[0], np.float64)
    return fit, float(np.mean((values - basis @ fit) ** 2))


def _half_range(values: NDArray[np.float64]) -> float:
    low, high = np.quantile(values, (0.02, 0.98))
    return float(high - low) / 2


def _measure_swing(
    basis: NDArray[np.float64], level: NDArray[np.float64], seen: NDArray[np.bool_], ratio: float
) -> SlowBands | None:
    """Depth per channel, the mean over columns; None where they do not swing together."""
    flat = level.reshape(len(level), -1)
    fit = np.linalg.lstsq(basis, flat, rcond=None)[0]
    left = np.mean((flat - basis @ fit) ** 2, axis=0).reshape(seen.shape)
    heights = np.where(seen, (fit[0] - 1j * fit[1]).reshape(seen.shape), 0)
    if np.abs(heights.sum()) < AGREES * np.abs(heights).sum():
        return None
    count = np.maximum(seen.sum(axis=0), 1)
    error = np.sqrt(2 * (left * seen).sum(axis=0) / count / len(level))
    return SlowBands(np.abs(heights.sum(axis=0)) / count, error + 1e-6, 0.0, ratio)


def _keep_whole(
    profile: NDArray[np.float64], times: NDArray[np.float64]
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64]]:
    """The frames that show light, and the rows that are known in all of them: (n, rows known or 0, columns, 3)."""
    frames = np.isfinite(profile).any(axis=(1, 2, 3))
    kept = profile[frames]
    if len(kept) < 8:
        return None, times
    tiles = np.isfinite(kept).all(axis=0)
    tiles &= tiles.mean(axis=0) > 0.5  # a column that is mostly unknown has no waves
    return (np.where(tiles, kept, np.nan), times[frames]) if tiles.any() else (None, times)


def _take_even_off(wave: NDArray[np.float64]) -> NDArray[np.float64]:
    """Take off each row's mean over time and each frame's mean over rows; unknown becomes 0."""
    known = np.isfinite(wave).any(axis=0)
    rest = np.nan_to_num(wave)
    rest = rest - rest.mean(axis=0)
    count = np.maximum(known.sum(axis=0), 1)
    return np.asarray(np.where(known, rest - (rest.sum(axis=1) / count)[:, None], 0.0))


def _waves(shape: tuple[int, ...], times: NDArray[np.float64], beat: float, bands: float) -> NDArray[np.float64]:
    down = (np.arange(shape[1]) + 0.5) / shape[1]
    phase = 2 * np.pi * (beat * times[:, None] + bands * down)
    pair = np.stack([np.cos(phase), np.sin(phase)])
    return np.asarray(pair - pair.mean(axis=1, keepdims=True))


def _fit_wave(rest: NDArray[np.float64], times: NDArray[np.float64], beat: float, bands: float) -> NDArray:
    """Complex amplitude (columns, 3) of the wave that fits best."""
    pair = _waves(rest.shape, times, beat, bands)
    pair -= pair.mean(axis=2, keepdims=True)
    gram = np.einsum("ikb,jkb->ij", pair, pair)
    if np.linalg.cond(gram) > 1e4:
        return np.zeros(rest.shape[2:], complex)
    known = np.abs(rest).any(axis=0).mean(axis=0)  # share of rows, (columns, 3)
    fit = np.linalg.solve(gram, np.einsum("ikb,kbcx->icx", pair, rest).reshape(2, -1)).reshape(2, *rest.shape[2:])
    return np.asarray((fit[0] - 1j * fit[1]) / np.maximum(known, 0.5))


def _share(rest: NDArray[np.float64], times: NDArray[np.float64], beat: float, bands: float, height: NDArray) -> float:
    """Which part of what changes slowly (means over an eighth of the take) the wave explains."""
    pair = _waves(rest.shape, times, beat, bands)
    pair -= pair.mean(axis=2, keepdims=True)
    wave = height.real[None, None] * pair[0][..., None, None] - height.imag[None, None] * pair[1][..., None, None]
    wave = np.where(np.abs(rest).any(axis=0), wave, 0.0)
    pieces = np.array_split(np.arange(len(times)), 8)
    slow = np.stack([rest[p].mean(axis=0) for p in pieces])
    left = slow - np.stack([wave[p].mean(axis=0) for p in pieces])
    return float(1 - (left**2).sum() / max((slow**2).sum(), 1e-30))
