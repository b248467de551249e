"""Did exposure and white stay put: drift in stops per channel, told apart from the lamp's own light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, FrameTable, NoiseModel

__all__ = ["Drift", "check_drift", "check_exposure", "measure_drift", "read_drift", "take_shared"]

DRIFT_STOPS = (0.10, 1.0)  # common practice: a tenth of a stop is where a match by eye begins to fail
SIGMAS = 4.0
SURE_SIGMA = 8.0  # of one frame: places dimmer than this say little of a ratio
LEAST_SHARE = 0.01  # of the picture that must be bright enough
CLIPPED = 0.9  # linear light; a drift of a tenth of a stop must not clip what is judged
WINDOW_SECONDS = 1.0  # flicker is faster, a drift is slower
FOLLOWS = -0.7  # correlation with the lamp's light from which the camera is said to follow it
JUMP_SHARE = 0.6  # of the whole drift within a few frames
PARTS, LEAST_PARTS, LEAST_PIXELS = (3, 3), 4, 100  # of the picture, in which exposure is read apart
UNLIKE = 0.15  # of the parts may change otherwise than all the rest
LAMP_RATIO = 3.0  # of most to least brightened part, from which on a lamp explains all of it
EVEN_STOPS, EVEN_SHARE = 0.05, 0.3  # by which parts may differ in a change of exposure, the larger of both
COLOURS = ("red", "green", "blue")


@dataclass(frozen=True, slots=True)
class Drift:
    """How far a take drifts, in stops. ``path`` (n, 3) smoothed over a second, NaN not known; ``exposure`` what all
    channels share, ``white`` (3,) what each goes apart from that (NaN not known), both from lowest to highest;
    ``error`` of such a range; ``jump``: frame index of a jump that makes up most of it, or -1."""

    path: NDArray[np.float64]
    exposure: float
    white: NDArray[np.float64]
    error: float
    jump: int


def measure_drift(
    frame_at: Callable[[int], FloatArray], count: int, reference: FloatArray, *, noise: NoiseModel
) -> NDArray[np.float64]:
    """Measure every frame's exposure against a picture of the same place, stops ``(n, 3)``.

    ``frame_at(k)``: ``(h, w, 3)`` linear light at survey size. ``reference``: ``(h, w, 3)``, best a mean of many
    frames. NaN for a channel too dark to tell.

    Notes: the median over the picture; somebody who crosses less than half of it does not count, nor does a light that
    comes and goes and reaches some places more than others (``take_shared``). Places are picked by the reference alone:
    picking by a noisy frame would favour what noise lifted. Not for frames in which a lamp moves: those have
    ``FrameTable.drift_stops``.
    """
    base = np.asarray(reference, np.float32)
    sure = base > SURE_SIGMA * noise.sigma(base)
    sure &= (base < CLIPPED).all(axis=2, keepdims=True)
    out = np.full((count, 3), nan)
    parts = np.full((count, 3, PARTS[0] * PARTS[1]), nan)
    places = {c: _part_places(sure[..., c]) for c in range(3) if sure[..., c].mean() >= LEAST_SHARE}
    for k in range(count):
        frame = np.asarray(frame_at(k), np.float32)
        for c, (flat, starts) in places.items():
            ratio = frame[..., c].ravel()[flat] / base[..., c].ravel()[flat]
            out[k, c] = _stops(ratio)
            for i, (first, last) in enumerate(pairwise(starts)):
                if last - first >= LEAST_PIXELS:
                    parts[k, c, i] = _stops(ratio[first:last])
    return take_shared(out, parts)


def _stops(ratio: FloatArray) -> float:
    middle = float(np.median(ratio))
    return float(np.log2(middle)) if middle > 0 else nan


def _part_places(sure: BoolArray) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Flat indices of the sure pixels, part by part of the picture, and where each part begins and the last ends."""
    height, width = sure.shape
    rows, columns = (np.arange(side) * n // side for side, n in zip((height, width), PARTS, strict=True))
    part = (rows[:, None] * PARTS[1] + columns).ravel()
    flat = np.flatnonzero(sure.ravel())
    flat = flat[np.argsort(part[flat], kind="stable")]
    return flat, np.searchsorted(part[flat], np.arange(PARTS[0] * PARTS[1] + 1))


def take_shared(whole: NDArray[np.float64], parts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the drift of the whole picture, (n, 3) stops, or what all its parts share, ``parts`` (n, 3, m), NaN not
    known, where a light came and went.

    Notes: a camera's exposure and a cloud change all parts alike; a light that is moved does not. A change that stays
    until the end is never taken for such a light.
    """
    out = whole.copy()
    window = max(1, len(whole) // 8)
    ends = np.r_[np.arange(window), np.arange(len(whole) - window, len(whole))]
    for c in range(3):
        known = parts[:, c][:, np.isfinite(parts[:, c]).all(axis=0)]
        if known.shape[1] < LEAST_PARTS or not np.isfinite(whole[:, c]).all():
            continue
        left = np.abs(np.median(known[-window:], axis=0) - np.median(known[:window], axis=0))
        if np.quantile(left, 1 - UNLIKE) > EVEN_STOPS:
            continue
        # what such a light adds to the picture that all is held against must not count either
        known, usual = known - np.median(known[ends], axis=0), whole[:, c] - np.median(whole[ends, c])
        low, high = np.quantile(known, (UNLIKE, 1 - UNLIKE), axis=1)
        uneven = high - low > np.maximum(EVEN_STOPS, EVEN_SHARE * np.abs(usual))
        shared = np.where((low > 0) & (high > LAMP_RATIO * low), 0.0, np.clip(0, low, high))
        out[:, c] = np.where(uneven, shared, usual)
    return out


def read_drift(stops: NDArray[np.float64], seconds: FloatArray | None = None) -> Drift:
    """Part drift in stops ``(n, 3)``, NaN not known, into exposure and white. ``seconds``: ``(n,)``, 24 fps without."""
    n = len(stops)
    half = _half_window(n, seconds)
    path = np.full((n, 3), nan)
    scatter = []
    for c in range(3):
        if np.isfinite(stops[:, c]).mean() < 0.5:
            continue
        filled = _fill(stops[:, c])
        path[:, c] = _running_median(filled, half)
        scatter.append(1.4826 * float(np.median(np.abs(filled - path[:, c]))))
    known = np.isfinite(path).all(axis=0)
    if not known.any():
        return Drift(path, nan, np.full(3, nan), nan, -1)
    shared = path[:, known].mean(axis=1)
    white = np.full(3, nan)
    if known.sum() > 1:
        white[known] = np.ptp(path[:, known] - shared[:, None], axis=0)
    exposure = float(np.ptp(shared))
    # a median of frames errs 1.25 times as much as their mean; both ends of the range err
    error = 1.25 * np.sqrt(2) * max(scatter) / np.sqrt(max(1, half))
    return Drift(path, exposure, white, float(error), _find_jump(shared, exposure))


def _half_window(n: int, seconds: FloatArray | None) -> int:
    step = 1 / 24
    if seconds is not None and n > 1:
        between = np.diff(np.asarray(seconds, np.float64))
        between = between[np.isfinite(between) & (between > 0)]
        step = float(np.median(between)) if len(between) else step
    return int(np.clip(round(WINDOW_SECONDS / step / 2), 1, max(1, n // 8)))


def _fill(values: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.isfinite(values)
    frames = np.arange(len(values))
    return np.interp(frames, frames[known], values[known])


def _running_median(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Median over ``half`` frames to both sides; at the ends a line through the first and last window."""
    n = len(values)
    if n < 2 * half + 1:
        return values.copy()
    windows = np.lib.stride_tricks.sliding_window_view(values, 2 * half + 1)
    out = np.empty(n)
    out[half : n - half] = np.median(windows, axis=1)
    frames = np.arange(2 * half + 1)
    for part, place in ((slice(0, half), 0), (slice(n - half, n), n - 2 * half - 1)):
        slope, level = np.polyfit(frames, values[place : place + 2 * half + 1], 1)
        out[part] = level + slope * (np.arange(n)[part] - place)
    return out


def _find_jump(shared: NDArray[np.float64], exposure: float) -> int:
    if len(shared) < 4 or not exposure > 0:
        return -1
    change = np.abs(shared[3:] - shared[:-3])
    where = int(np.argmax(change))
    return where + 2 if change[where] > JUMP_SHARE * exposure and len(shared) > 12 else -1


def check_exposure(table: FrameTable) -> Finding:
    """Judge a sweep's drift of exposure and white, as measured where the lamp does not reach.

    Notes: frames whose every place is lit say nothing; between those that do the drift is interpolated, so a wobble
    that comes and goes while the lamp is on stays unseen in a room that the lamp lights everywhere.
    """
    dark = int(np.sum(~np.asarray(table.lamp_on, bool)))
    if not np.any(table.drift_stops) and dark < 2:
        says = "The lamp reaches every place on every frame: the camera's exposure cannot be told from its light."
        return Finding(
            "exposure", NOT_CHECKED, says, "Film three seconds with the lamp covered at the head and the tail."
        )
    return check_drift(
        np.asarray(table.drift_stops, np.float64),
        seconds=table.seconds,
        source_frames=table.source_frames,
        lamp_energy=table.lamp_energy,
        lamp_on=table.lamp_on,
    )


def check_drift(
    stops: NDArray[np.float64],
    *,
    seconds: FloatArray | None = None,
    source_frames: NDArray[np.int64] | None = None,
    lamp_energy: FloatArray | None = None,
    lamp_on: BoolArray | None = None,
) -> Finding:
    """Judge drift ``(n, 3)`` in stops, NaN not known, of any take.

    ``lamp_energy``, ``lamp_on`` (n,): of a sweep, to tell whether the camera follows the lamp.
    """
    numbers = np.arange(1, len(stops) + 1) if source_frames is None else np.asarray(source_frames)
    if len(stops) < 2:
        return Finding("exposure", NOT_CHECKED, "One frame does not tell whether exposure drifts.")
    drift = read_drift(stops, seconds)
    if not isfinite(drift.exposure):
        return Finding("exposure", NOT_CHECKED, "Too dark to tell whether exposure drifts.")
    white = float(np.nanmax(drift.white)) if np.isfinite(drift.white).any() else 0.0
    worst = max(drift.exposure, white)
    figures = (
        Figure("exposure drift", drift.exposure, "stops", 3),
        Figure("white drift", white, "stops", 3),
        *(
            Figure(f"{name} drift", float(np.ptp(drift.path[:, c])), "stops", 3)
            for c, name in enumerate(COLOURS)
            if np.isfinite(drift.path[:, c]).all()
        ),
        Figure("error", drift.error, "stops", 3),
    )
    if worst <= DRIFT_STOPS[0] or worst <= SIGMAS * drift.error:
        says = f"Exposure keeps within {drift.exposure:.2f} stops, white within {white:.2f} stops"
        return Finding("exposure", "good", f"{says}{_where_judged(lamp_on)}.", figures=figures)
    grade = "reshoot" if worst >= DRIFT_STOPS[1] else "usable"
    follows = _follows_lamp(drift, lamp_energy, lamp_on)
    says = _tell(drift, white, numbers, follows) + _where_judged(lamp_on)
    frames = ((int(numbers[0]), int(numbers[-1])),)
    return Finding("exposure", grade, f"{says}.", _advise(drift, white, follows), figures, frames)


def _where_judged(lamp_on: BoolArray | None) -> str:
    if lamp_on is None or not np.any(lamp_on):
        return ""
    dark = int(np.sum(~np.asarray(lamp_on, bool)))
    return f" (judged where the lamp does not reach, and on {dark} frames without it)"


def _follows_lamp(drift: Drift, lamp_energy: FloatArray | None, lamp_on: BoolArray | None) -> bool:
    """Does the picture darken as the lamp brightens?"""
    if lamp_energy is None or lamp_on is None or np.sum(lamp_on) < 8:
        return False
    shared = np.nanmean(drift.path, axis=1)
    energy = np.asarray(lamp_energy, np.float64)
    if np.std(shared) < 1e-6 or np.std(energy) < 1e-12:
        return False
    return bool(np.corrcoef(shared, energy)[0, 1] < FOLLOWS)


def _tell(drift: Drift, white: float, numbers: NDArray, follows: bool) -> str:
    shared = np.nanmean(drift.path, axis=1)
    way = "brightens" if shared[-1] > shared[0] else "darkens"
    told = []
    if drift.exposure > DRIFT_STOPS[0] and drift.exposure > SIGMAS * drift.error:
        how = f", in a jump at frame {int(numbers[drift.jump])}" if drift.jump >= 0 else ""
        how = ", darker as the lamp brightens" if follows else how
        told.append(f"the picture {way} by {drift.exposure:.2f} stops{how}")
    if white > DRIFT_STOPS[0] / 2 and white > SIGMAS * drift.error:
        channel = int(np.nanargmax(drift.white))
        apart = drift.path[-1, channel] - shared[-1] - drift.path[0, channel] + shared[0]
        told.append(f"white drifts: {COLOURS[channel]} goes {apart:+.2f} stops against the rest".replace("-", "−"))
    said = " and ".join(told) or f"exposure wanders by {drift.exposure:.2f} stops"
    return said[0].upper() + said[1:]


def _advise(drift: Drift, white: float, follows: bool) -> str:
    if follows:
        return "Set exposure and white by hand and lock them: the camera follows the lamp."
    if white > drift.exposure:
        return (
            "Lock the white balance; if it was locked, the room's light changed (sun, a lamp warming up): shut it out."
        )
    return (
        "Lock aperture, shutter, gain and white; if they were, the room's light changed (sun, clouds, a lamp warming "
        "up): shut it out. For this take set hold_exposure = true."
    )
