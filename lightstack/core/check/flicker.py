"""Flicker of the light in a take: its frequency, its depth, the bands of a rolling shutter, the mains behind it.

Each frame is held against the take's own middle, row by row (``gather_row_profile``); ``core.check.flicker_line`` finds
the wave in it.

References
----------
IES, The Lighting Handbook, 10th ed., 2011: percent flicker = 100 (max - min) / (max + min) (from memory).
"""

from __future__ import annotations

from fractions import Fraction
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.flicker_line import (
    LEAST_FRAMES,
    FlickerLine,
    beat_tolerance,
    find_quick_flicker,
    find_slow_flicker,
    measure_limit,
)
from lightstack.core.check.frame_rate import usual_step
from lightstack.core.check.row_waves import SEGMENT_SECONDS, fill_times, flatten_profile
from lightstack.core.check.shutter import (
    PULSES_PER_CYCLE,
    beat_frequency,
    clean_shutters,
    exposure_seconds,
    nearest_clean_shutter,
    residual_flicker,
)
from lightstack.core.check.slow_beat import EVEN_CYCLES, LEAST_CYCLES, find_slow_bands, find_slow_swing
from lightstack.core.half import to_float
from lightstack.core.numbers import median_of
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, ProxyTake

__all__ = ["check_flicker", "gather_row_profile", "name_beat"]

BANDS, COLUMNS = 48, 3  # tiles down and across the picture
PIXELS_PER_TILE, OUTER = 96, 12  # the mean leaves the outer ones out; a median would stick to rounded codes
LEAST_PIXELS = 8
REFERENCE_FRAMES = 15
LEAST_SIGMA = 3.0  # of the noise, for a pixel to be bright enough to show a ratio
LEAST_SECONDS = 1.5
# Where "good" ends and "reshoot" begins, peak over mean. Common practice of the trade, not a standard: half a per
# cent is below what an eye finds in moving pictures, two per cent stand out on an even wall.
DEPTH_LIMITS = (0.005, 0.02)
SLOW_CYCLES = 2.5  # within a take or a segment: so slow a beat is fitted, since its line runs into that of a drift
MOST_LIMIT = 0.03  # where only deeper waves would show, a take says nothing
CHANNELS = ("red", "green", "blue")


def gather_row_profile(
    proxies: ProxyTake,
    *,
    frames: NDArray[np.integer] | None = None,
    where: BoolArray | None = None,
    reference: FloatArray | None = None,
    bands: int = BANDS,
    columns: int = COLUMNS,
) -> NDArray[np.float64]:
    """Gather the log ratio of each frame to the take's middle, in tiles: (n, bands, columns, 3), NaN unknown.

    Parameters
    ----------
    frames : indices of the frames to look at, all if None; a sweep's unlit frames where they last some seconds.
    where : (h, w) pixels to look at, such as those that the lamp does not light; all that are bright enough if None.
    reference : (h, w, 3) what frames are held against; the median of some frames if None.

    Notes: a tile is the mean of the middle three quarters of up to 96 pixels; where somebody covers more of it, it is
    dropped later. The other frames' rows are NaN. Costs about a millisecond a frame.
    """
    n = len(proxies)
    chosen = np.arange(n) if frames is None else np.asarray(frames, np.int64)
    rows = np.full((n, min(bands, proxies.rgb.shape[1]), columns, 3), np.nan)
    if not len(chosen):
        return rows
    if reference is None:
        few = chosen[np.unique(np.linspace(0, len(chosen) - 1, REFERENCE_FRAMES).astype(int))]
        reference = median_of([to_float(proxies.rgb[k]) for k in few])
    reference = np.asarray(reference, np.float32)
    usable = reference > np.maximum(LEAST_SIGMA * proxies.noise_proxy.sigma(reference), 1e-6)
    usable &= _unclipped(proxies, chosen)
    if where is not None:
        usable &= where[..., None]
    places, tiles = _pick_places(usable, rows.shape[1], columns)
    if not len(tiles):
        return rows
    below = reference.ravel()[places]
    flat = rows.reshape(n, -1)
    for k in chosen:
        ratio = np.asarray(proxies.rgb[k]).ravel()[places].astype(np.float32) / below
        ratio.sort(axis=1)
        middle = ratio[:, OUTER:-OUTER].mean(axis=1)
        flat[k, tiles] = np.log(middle, out=np.full(len(tiles), np.nan), where=middle > 0)
    return rows


def _unclipped(proxies: ProxyTake, frames: NDArray[np.int64]) -> BoolArray:
    """Which channels (h, w, 3) are at the ceiling in no more than a few of the frames."""
    few = frames[np.unique(np.linspace(0, len(frames) - 1, REFERENCE_FRAMES).astype(int))]
    flags = np.stack([np.asarray(proxies.clipped[k]) for k in few])
    return np.stack([((flags >> c) & 1).mean(axis=0) < 0.2 for c in range(3)], axis=-1)


def _pick_places(usable: BoolArray, bands: int, columns: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Flat indices (tiles, pixels) into (h, w, 3), and the flat index of each tile into (bands, columns, 3)."""
    h, w = usable.shape[:2]
    index = np.arange(usable.size).reshape(usable.shape)
    down = np.linspace(0, h, bands + 1).astype(int)
    across = np.linspace(0, w, columns + 1).astype(int)
    places, tiles = [], []
    for b in range(bands):
        for c in range(columns):
            box = (slice(down[b], down[b + 1]), slice(across[c], across[c + 1]))
            for channel in range(3):
                inside = index[box][..., channel][usable[box][..., channel]]
                if len(inside) >= LEAST_PIXELS:
                    even = np.linspace(0, len(inside) - 1, PIXELS_PER_TILE).astype(int)
                    places.append(inside[even])
                    tiles.append((b * columns + c) * 3 + channel)
    return np.array(places, np.int64).reshape(-1, PIXELS_PER_TILE), np.array(tiles, np.int64)


def name_beat(
    frequency_hz: float, rate: float | Fraction, *, mains: tuple[float, ...] = (50, 60), tolerance_hz: float = 0.15
) -> tuple[float, float] | None:
    """Return (mains frequency, frequency of the light) that beats at ``frequency_hz``, the likeliest first, or None.

    A lamp pulses at twice the mains frequency; a worn or badly dimmed one at the mains frequency itself, and a square
    pulse has an overtone at four times.
    """
    for cycles in (PULSES_PER_CYCLE, 1, 2 * PULSES_PER_CYCLE):
        near = [(abs(_alias(cycles * hz, rate) - frequency_hz), float(hz)) for hz in mains]
        off, hz = min(near)
        if off <= tolerance_hz:
            return hz, cycles * hz
    return None


def _alias(light_hz: float, rate: float | Fraction) -> float:
    return beat_frequency(rate, light_hz / PULSES_PER_CYCLE)


def check_flicker(
    rows: FloatArray,
    seconds: FloatArray,
    *,
    rate: float | Fraction | None,
    mains: tuple[float, ...] = (50, 60),
    shutter: float | None = None,
) -> Finding:
    """Judge a take's flicker.

    Parameters
    ----------
    rows : (n, h, 3) or (n, h, columns, 3) log ratios to the take's middle, NaN unknown (``gather_row_profile``).
    seconds : (n,) times of the frames, NaN unknown.
    rate : frames a second; None: told by ``seconds``.
    mains : the mains frequencies in question, Hz.
    shutter : the angle in degrees that was used, where known.
    """
    rate = _find_rate(seconds, rate)
    known = np.isfinite(flatten_profile(rows)).any(axis=(1, 2, 3))
    if rate is None:
        return Finding("flicker", NOT_CHECKED, "The take has no frame rate and no time stamps to tell flicker by.")
    times = fill_times(seconds, rate)[known]
    length = float(times[-1] - times[0]) + 1 / float(rate) if len(times) else 0.0
    if len(times) < max(LEAST_FRAMES, LEAST_SECONDS * float(rate)):
        return Finding(
            "flicker",
            NOT_CHECKED,
            f"{len(times)} frames ({len(times) / float(rate):.1f} s) that show light are too few to tell flicker by.",
            f"Leave the camera running on the still room for {2 * LEAST_SECONDS:.0f} s.",
        )
    beats = tuple(beat for hz in mains if (beat := beat_frequency(rate, hz)) > 0)
    near = tuple(hz for hz in mains if beat_frequency(rate, hz) * min(length, SEGMENT_SECONDS) < SLOW_CYCLES)
    quick = find_quick_flicker(rows, seconds, beats=beats, rate=rate)
    crawls = _find_crawling(rows, seconds, near, rate)
    line = max((one for one in (quick, crawls) if one is not None), key=lambda one: _pick_depth(one)[0], default=None)
    if line is None:  # a slow beat first: beside it the periodogram finds but the rests of it
        line = find_slow_flicker(rows, seconds, beats=beats, rate=rate)
    if line is None:
        slow = tuple(hz for hz in mains if beat_frequency(rate, hz) * length < EVEN_CYCLES)
        return _judge_quiet(measure_limit(rows, seconds, beats=beats, rate=rate), length, rate, slow)
    return _judge_line(line, rate, mains, shutter, min(length, SEGMENT_SECONDS))


def _find_crawling(
    rows: FloatArray, seconds: FloatArray, slow: tuple[float, ...], rate: float | Fraction
) -> FlickerLine | None:
    """A beat that hardly goes through a cycle within the take, as a line: bands that crawl, or an even swing."""
    for hz in slow:
        beat = beat_frequency(rate, hz)
        for find in (find_slow_bands, find_slow_swing):
            found = find(rows, seconds, beat=beat, rate=rate) if beat > 0 else None
            if found is not None:
                return FlickerLine(beat, found.depth, found.depth_error, found.bands, found.ratio, 0)
    return None


def _say_slow(slow: tuple[float, ...], rate: float | Fraction) -> str:
    """What cannot be judged: beats that are slower than the take, or stand still."""
    told = []
    for hz in slow:
        beat = beat_frequency(rate, hz)
        if beat > 0:
            told.append(
                f"the beat of {_say_rate(rate)} fps under {hz:g} Hz mains ({beat:.3f} Hz) is slower than the take: "
                "an even change of light would look like a drift, only bands that crawl would show"
            )
        else:
            told.append(f"under {hz:g} Hz mains {_say_rate(rate)} fps keep step: bands would stand still and not show")
    return f" Not judged: {'; '.join(told)}." if told else ""


def _judge_quiet(limit: float, length: float, rate: float | Fraction, slow: tuple[float, ...] = ()) -> Finding:
    """The finding where no line stands out: good, if one that matters would have."""
    if not isfinite(limit):
        says = f"{length:.1f} s at {float(rate):.3g} fps are too little to tell flicker by."
        return Finding("flicker", NOT_CHECKED, says, "Leave the camera running on the still room for some seconds.")
    figures = (Figure("depth that would show", 100 * limit, "%"),)
    if not limit < MOST_LIMIT:
        return Finding(
            "flicker",
            NOT_CHECKED,
            f"The take is too restless or noisy: flicker under {100 * limit:.1f} % would not show.",
            "Leave the camera running on the still room for some seconds.",
            figures,
        )
    only = "only " if limit > DEPTH_LIMITS[0] else ""
    says = f"No flicker: {only}a wave of {100 * limit:.2g} % or more would show {_say_range(length, rate)}."
    says += _say_slow(slow, rate)
    return Finding("flicker", "good", says, "", figures)


def _find_rate(seconds: FloatArray, rate: float | Fraction | None) -> float | Fraction | None:
    if rate:
        return rate
    step = usual_step(seconds)
    return 1 / step if isfinite(step) else None


def _say_range(length: float, rate: float | Fraction) -> str:
    return f"between {max(LEAST_CYCLES / length, 1 / SEGMENT_SECONDS):.2f} and {float(rate) / 2:.1f} Hz"


def _judge_line(
    line: FlickerLine, rate: float | Fraction, mains: tuple[float, ...], shutter: float | None, length: float
) -> Finding:
    depth, error = _pick_depth(line)
    sure = depth - 2 * error
    level = int(sure > DEPTH_LIMITS[0]) + int(sure >= DEPTH_LIMITS[1])
    beat = name_beat(line.frequency_hz, rate, mains=mains, tolerance_hz=beat_tolerance(length))
    figures = [
        Figure("frequency", line.frequency_hz, "Hz"),
        Figure("depth", 100 * depth, "%"),
        *(Figure(f"depth {name}", 100 * float(line.depth[c]), "%") for c, name in enumerate(CHANNELS)),
        Figure("depth error", 100 * error, "%", 3),
        Figure("bands", abs(line.bands), "waves per picture height", 1),
    ]
    says = f"The light flickers by {100 * depth:.2g} % at {line.frequency_hz:.2f} Hz, {_say_beat(beat, rate)}"
    if abs(line.bands) >= 0.3:
        says += f"; {abs(line.bands):.1f} bands of a rolling shutter run through the picture"
        if beat is not None:
            readout = abs(line.bands) / beat[1]
            figures.append(Figure("readout", 1000 * readout, "ms", 1))
    says += "."
    if beat is not None:
        figures += _shutter_figures(beat, rate, depth, shutter)
    remedy = _advise_shutter(beat, rate, shutter) if level else ""
    return Finding("flicker", ("good", "usable", "reshoot")[level], says, remedy, tuple(figures))


def _pick_depth(line: FlickerLine) -> tuple[float, float]:
    """The depth to speak of and its error: of all channels, or of the one that flickers clearly more."""
    trust = 1 / np.maximum(line.depth_error, 1e-9) ** 2 * (line.depth > 0)
    joint = float((line.depth * trust).sum() / max(trust.sum(), 1e-12))
    joint_error = float(1 / np.sqrt(max(trust.sum(), 1e-12)))
    c = int(np.argmax(line.depth - 3 * line.depth_error))
    if line.depth[c] - 3 * line.depth_error[c] > joint + 3 * joint_error:
        return float(line.depth[c]), float(line.depth_error[c])
    return joint, joint_error


def _say_beat(beat: tuple[float, float] | None, rate: float | Fraction) -> str:
    if beat is None:
        return "not mains-related: no beat of the mains, but a dimmed or pulsed lamp"
    hz, light = beat
    told = f"the beat of {_say_rate(rate)} fps under {hz:g} Hz mains ({_alias(light, rate):.3f} Hz)"
    if light == hz:
        return f"{told} (pulses at {light:g} Hz: a worn or badly dimmed lamp)"
    return told if light == PULSES_PER_CYCLE * hz else f"{told} (overtone at {light:g} Hz)"


def _say_rate(rate: float | Fraction) -> str:
    return f"{float(rate):.3f}".rstrip("0").rstrip(".")


def _shutter_figures(
    beat: tuple[float, float], rate: float | Fraction, depth: float, shutter: float | None
) -> list[Figure]:
    clean = nearest_clean_shutter(rate, beat[0], shutter or 180.0)
    figures = [Figure("mains", beat[0], "Hz", 0), Figure("beat", _alias(beat[1], rate), "Hz", 3)]
    if clean is not None:
        figures += [Figure("clean shutter", clean.angle_deg, "°", 3), Figure("clean exposure", clean.seconds, "s", 6)]
    if shutter is not None:
        left = residual_flicker(1.0, beat[1], exposure_seconds(shutter, rate))
        if left > 0.01:
            figures.append(Figure("depth of the light itself", 100 * depth / left, "%", 0))
    return figures


def _advise_shutter(beat: tuple[float, float] | None, rate: float | Fraction, shutter: float | None) -> str:
    if beat is None:
        return (
            "Turn lamps off one by one to find the one that pulses (dimmer, cheap LED); replace it or run it undimmed."
        )
    if shutter is not None and residual_flicker(1.0, beat[1], exposure_seconds(shutter, rate)) < 1e-3:
        return "The shutter is clean under this mains: replace the lamp that pulses, or feed it from a battery."
    clean = nearest_clean_shutter(rate, beat[0], shutter or 180.0)
    if clean is None:
        return f"No shutter is clean at {_say_rate(rate)} fps under {beat[0]:g} Hz: film at a lower rate."
    others = ", ".join(
        f"{s.angle_deg:.3f}".rstrip("0").rstrip(".") for s in clean_shutters(rate, beat[0]) if s != clean
    )
    angle = f"{clean.angle_deg:.3f}".rstrip("0").rstrip(".")
    more = f" (or {others} degrees)" if others else ""
    return f"Set the shutter to {angle} degrees, {clean.fraction}{more}, and film the take again."
