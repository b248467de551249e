"""Per-frame numbers of a sweep at survey size: where the lamp is out, how much light it brings, what went
wrong.

Everything is read one frame at a time, so a take of any length costs the memory of a few survey frames.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.half import to_float
from lightstack.core.numbers import median_of
from lightstack.core.sweep.dark import find_dark_frames
from lightstack.core.sweep.drift import complete_drift, drift_of, find_brightened
from lightstack.errors import UnusableTake
from lightstack.records import BoolArray, FloatArray, FrameTable, NoiseModel, ProxyTake, Registration

LUMINANCE = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709-6, item 3.2
DARK_GAP_SECONDS = 1.0
ASSUMED_RATE = 24.0  # frames a second, where a take has no timestamps
UNREACHED_SHARE = 0.02  # lamp light under this share of the ambient leaves a pixel fit to judge exposure
MEAN_SIGMAS = 4.0  # the most that noise lifts a place's mean over a take

FrameReader = Callable[[int], FloatArray]


def find_lamp_off(proxies: ProxyTake, *, ambient: FloatArray | None = None) -> BoolArray:
    """Say for each frame whether the lamp is out, (n,) bool.

    ``ambient``: (h, w, 3) linear light of the room without the lamp, where another take shows it.

    Notes: somebody in dark clothes who walks through an unlit room leaves it "out"; a bump of a few pixels
    and an exposure drift do too. All False when no frame is unlit. See ``core.sweep.dark``.
    """
    return find_dark_frames(
        lambda k: to_float(proxies.rgb[k]), len(proxies), noise=proxies.noise_proxy, ambient=ambient
    )


def average_frames(
    proxies: ProxyTake, indices: Sequence[int], *, frame_at: FrameReader | None = None
) -> NDArray[np.float64]:
    """Average frames robustly, (h, w, 3) float64: the mean of what agrees with the median of up to fifteen.

    ``frame_at``: gives frame ``k`` instead of the proxies (registered frames).

    Raises UnusableTake for no indices.

    Notes: somebody who stands in less than half of the frames drops out; values off by more than 4 sigma of
    the noise are left out of the mean. Two readings of the frames; memory of fifteen.
    """
    if len(indices) == 0:
        raise UnusableTake(f"{proxies.name}: no lamp-off frames to average; expected at least one, film an empty take")
    read = frame_at or (lambda k: to_float(proxies.rgb[k]))
    few = [int(indices[i]) for i in np.unique(np.linspace(0, len(indices) - 1, 15).astype(int))]
    middle = median_of([read(k) for k in few])
    limit = 4 * proxies.noise_proxy.sigma(middle) * np.sqrt(1 + np.pi / (2 * len(few)))
    total, count = np.zeros(middle.shape), np.zeros(middle.shape)
    for k in indices:
        frame = np.ascontiguousarray(read(int(k)))
        _add_alike(frame.reshape(-1), middle.reshape(-1), limit.reshape(-1), total.reshape(-1), count.reshape(-1))
    return np.where(count > 0, total / np.maximum(count, 1), middle)


@compile_loop()
def _add_alike(frame, middle, limit, total, count):  # type: ignore[no-untyped-def]
    """Add to ``total`` what of a frame lies within ``limit`` of the ``middle``, and count it; all (n,)."""
    for i in range(total.shape[0]):
        good = abs(frame[i] - middle[i]) <= limit[i]
        total[i] += frame[i] if good else 0.0
        count[i] += 1.0 if good else 0.0


def survey_sweep(
    proxies: ProxyTake,
    ambient: FloatArray,
    registration: Registration | None = None,
    *,
    lamp_off: BoolArray | None = None,
    frame_at: FrameReader | None = None,
    blocked: NDArray | None = None,
    luminance: Sequence[float] = LUMINANCE,
) -> FrameTable:
    """Measure every frame of a sweep.

    Parameters
    ----------
    ambient: (h, w, 3) linear light of the room without the lamp, at proxy size.
    registration: fills ``shift_px`` and takes frames that it left out down to weight 0.
    lamp_off: (n,) bool; found when not given.
    frame_at: gives frame ``k`` registered, (h, w, 3) float32; the proxies as recorded by default.
    blocked: (n, h, w) flags or bools of covered pixels; they are left out of lamp energy and drift.
    luminance: weights of R, G, B.

    Notes
    -----
    ``drift_stops`` is judged on pixels whose lamp light stays under 2 % of the ambient over the whole take,
    and by
    the lamp-off frames, between which it is interpolated; it is 0 where neither says anything. Frames in which such
    pixels disagree (somebody stands before some of them) do not count. ``smear_px`` is not measured here (NaN): it
    wants to know what is covered. See ``light_speed``.
    """
    read = frame_at or (lambda k: to_float(proxies.rgb[k]))
    n = len(proxies)
    weights = np.asarray(luminance, np.float64)
    ambient = np.asarray(ambient, np.float32)
    off = find_lamp_off(proxies, ambient=ambient) if lamp_off is None else np.asarray(lamp_off, bool)
    covers = None if blocked is None else (lambda k: np.asarray(blocked[k]) > 0)
    sigma = proxies.noise_proxy.sigma(ambient)
    unreached = _find_unreached(read, n, ambient, weights, sigma)
    if not unreached.any():
        unreached = find_brightened(read, ambient, off, sigma)
    columns = _measure_frames(read, proxies, ambient, off, unreached, weights, covers)
    energy = columns["energy"]
    spread = _energy_error(energy[off], proxies, ambient, weights)
    seconds = _fill_seconds(proxies)
    stretch = split_stretches(~off, seconds)
    shift, trusted = _read_registration(proxies, registration)
    weight = _weigh_frames(columns, off, trusted)
    return FrameTable(
        source_frames=np.asarray(proxies.source_frames), seconds=np.asarray(proxies.seconds),
        lamp_energy=energy, lamp_sigma=energy / spread, change_sigma=columns["change"], lamp_on=~off,
        stretch=stretch, clipped=columns["clipped"], smear_px=np.full(n, np.nan),
        drift_stops=complete_drift(columns["drift"]), sharpness=columns["sharpness"],
        blocked=columns["blocked"], flare=columns["flare"], shift_px=shift, weight=weight,
    )  # fmt: skip


def split_stretches(lamp_on: BoolArray, seconds: FloatArray) -> NDArray[np.int64]:
    """Number the lamp-on stretches from 0, -1 where the lamp is out; (n,) int64.

    Notes: only a dark gap of a second or more parts two stretches; the frames of a shorter one are -1 all the
    same.
    """
    stretch = np.full(len(lamp_on), -1, np.int64)
    current, last_lit = -1, None
    for k in np.flatnonzero(lamp_on):
        gap = 0.0 if last_lit is None else float(seconds[k] - seconds[last_lit])
        step = 0.0 if k == 0 else float(seconds[k] - seconds[k - 1])
        if last_lit is None or (k > last_lit + 1 and gap - step >= DARK_GAP_SECONDS - 1e-6):
            current += 1
        stretch[k], last_lit = current, k
    return stretch


def _fill_seconds(proxies: ProxyTake) -> NDArray[np.float64]:
    seconds = np.asarray(proxies.seconds, np.float64)
    return seconds if np.isfinite(seconds).all() else np.arange(len(seconds)) / ASSUMED_RATE


def _find_unreached(
    read: FrameReader, n: int, ambient: FloatArray, weights: NDArray[np.float64], sigma: FloatArray
) -> BoolArray:
    """Where the lamp's light stays under 2 % of the ambient over the whole take, (h, w) bool.

    Notes: judged on means of 5 x 5 pixels, and only where neighbours agree. Of single pixels, those pass that noise or
    a codec made darker than the ambient, and a room that the lamp lights everywhere would seem to drift. A gel's
    channel counts by itself: it may double while luminance hardly rises.
    """
    w32 = weights.astype(np.float32)
    brightest = np.zeros(ambient.shape[:2], np.float32)
    channels = np.zeros(ambient.shape, np.float32)
    for k in range(n):
        light = cv2.blur(np.asarray(read(k) - ambient, np.float32), (5, 5))
        np.maximum(brightest, light @ w32, out=brightest)
        np.maximum(channels, light, out=channels)
    base = cv2.blur(np.asarray(ambient, np.float32), (5, 5))
    unreached = brightest < UNREACHED_SHARE * (base @ w32)
    noise = MEAN_SIGMAS * sigma / 5  # of a mean of 25 pixels
    unreached &= (channels < UNREACHED_SHARE * np.maximum(base, 0) + noise).all(axis=2)
    opened = cv2.morphologyEx(unreached.astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return np.asarray(opened > 0)


def _measure_frames(
    read: FrameReader,
    proxies: ProxyTake,
    ambient: NDArray[np.float32],
    off: BoolArray,
    unreached: BoolArray,
    weights: NDArray[np.float64],
    covers: Callable[[int], BoolArray] | None,
) -> dict[str, NDArray[np.float64]]:
    n = len(proxies)
    names = ("energy", "change", "sharpness", "blocked", "flare")
    out = {name: np.zeros(n) for name in names}
    out["clipped"], out["drift"] = np.zeros((n, 3)), np.full((n, 3), np.nan)
    w32 = weights.astype(np.float32)
    sigma = proxies.noise_proxy.sigma(ambient)
    bright_enough = (ambient > 8 * sigma) & (ambient > 0)
    shade_noise = 3 * np.sqrt((sigma**2) @ w32**2)
    steady = [_lay_by_channel(bright_enough & here[..., None]) for here in (unreached, np.ones_like(unreached))]
    before: FloatArray | None = None
    for k in range(n):
        frame = read(k)
        light = frame - ambient
        luma = light @ w32
        cover = covers(k) if covers else np.zeros(luma.shape, bool)
        where = steady[int(off[k])] & ~cover[..., None] if covers else steady[int(off[k])]
        clipped = np.asarray(proxies.clipped[k])
        out["energy"][k] = luma.mean(dtype=np.float64, where=~cover) if not cover.all() else 0.0
        out["blocked"][k] = cover.mean()
        out["clipped"][k] = [np.count_nonzero(clipped & (1 << c)) / clipped.size for c in range(3)]
        if before is not None:
            out["change"][k] = _measure_change(frame, before, proxies.noise_proxy)
        out["sharpness"][k] = _sharpness(frame @ w32, float(shade_noise.mean()))
        out["drift"][k] = drift_of(frame, ambient, where)
        out["flare"][k] = 0.0 if off[k] else _flare_of(luma, clipped, cover)
        before = frame
    return out


def _lay_by_channel(mask: BoolArray) -> BoolArray:
    """Return a mask (h, w, 3) with each channel's plane in one piece, which picks pixels several times as fast."""
    return np.moveaxis(np.ascontiguousarray(np.moveaxis(mask, -1, 0)), 0, -1)


def _measure_change(frame: FloatArray, before: FloatArray, noise: NoiseModel) -> float:
    """Mean difference of two frames (h, w, 3) in the noise's sigma of one."""
    height, width = frame.shape[:2]
    pair = (np.ascontiguousarray(picture, np.float32).reshape(height, -1) for picture in (frame, before))
    return float(_sum_change(*pair, np.tile(noise.a, width), np.tile(noise.b, width))) / frame.size


@compile_loop(error_model="numpy")
def _sum_change(frame, before, a, b):  # type: ignore[no-untyped-def]
    """Sum the differences of two frames (h, 3 w) in sigma; ``a``, ``b`` (3 w,): noise of each value of a row."""
    line = np.empty(frame.shape[1], np.float32)
    total = 0.0
    for y in range(frame.shape[0]):
        one, two = frame[y], before[y]
        for i in range(line.shape[0]):
            level = max(np.float32(0.5) * (one[i] + two[i]), np.float32(0))
            sigma = np.float32(np.sqrt(max(level * a[i] + b[i], 1e-16)))
            line[i] = abs(one[i] - two[i]) / sigma
        for value in line:
            total += value
    return total


def _sharpness(luma: FloatArray, noise: float) -> float:
    """Mean gradient relative to the mean level; only good to compare frames of one take."""
    gy, gx = np.gradient(luma)
    return float(np.hypot(gx, gy).mean() / (abs(float(luma.mean())) + noise))


def _flare_of(luma: FloatArray, clipped: NDArray[np.uint8], cover: BoolArray) -> float:
    """Veiling lift: what even the darkest places gain, as a share of the mean, while a bright source is in
    shot.

    References: ISO 9358:1994, veiling glare of image-forming systems: stray light in the image of a black
    patch.
    """
    source = (clipped == 7).mean()
    seen = luma[~cover]
    if source < 2e-5 or seen.size < 100:
        return 0.0
    low, mean = float(np.percentile(seen, 2)), float(seen.mean())
    return float(np.clip(low / mean, 0, 1)) if mean > 0 else 0.0


def _energy_error(
    dark_energy: FloatArray, proxies: ProxyTake, ambient: FloatArray, weights: NDArray[np.float64]
) -> float:
    """Standard error of an unlit frame's mean: what theory says, or what the lamp-off frames show if that is
    more.

    Notes: shown by successive differences, so that a drift or a passer-by does not count as noise.
    """
    variance = proxies.noise_proxy.sigma(ambient).astype(np.float64) ** 2 @ weights**2
    theory = float(np.sqrt(variance.mean() / variance.size))
    steps = np.abs(np.diff(dark_energy))
    shown = float(1.4826 * np.median(steps) / np.sqrt(2)) if len(steps) > 4 else 0.0
    return max(theory, shown, 1e-12)


def _read_registration(
    proxies: ProxyTake, registration: Registration | None
) -> tuple[NDArray[np.float64], BoolArray]:
    n = len(proxies)
    shift, trusted = np.zeros(n), np.ones(n, bool)
    if registration is not None:
        for k, number in enumerate(np.asarray(proxies.source_frames)):
            shift[k] = registration.stretch_at(int(number)).shift_px
        trusted = ~np.isin(proxies.source_frames, registration.left_out)
    return shift, trusted


def _weigh_frames(columns: dict[str, NDArray[np.float64]], off: BoolArray, trusted: BoolArray) -> NDArray[np.float64]:
    """Weight 0..1 of a frame for choosing: falls with veiling flare and clipping of all channels."""
    flare = 1 - columns["flare"]
    clipped = 1 - np.clip(columns["clipped"].min(axis=1), 0, 1)
    weight = flare * clipped
    return np.where(off | ~trusted, 0.0, np.clip(weight, 0, 1))
