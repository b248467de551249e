"""Frames that are missing without a gap in the time stamps: motion that goes on as if a frame lay between.

Over a few frames whatever moves (a carried lamp's light and shadows, somebody who walks) runs smoothly: each place of
the picture follows a parabola in time. Where a recorder left a frame out and closed up, a parabola fits the frames
before and after it badly, and well if one frame more is let pass there. A hand that jerks, a shadow's edge that
arrives, light that is switched on does so at some places; a missing frame shows at all that move.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import to_finite
from lightstack.records import FloatArray, ProxyTake

__all__ = ["MotionTest", "find_skips", "gather_moving", "weigh_motion"]

WIDTH = 16  # of the small pictures: their noise is low and what moves moves less than a pixel
HALF, DEGREE = 3, 2  # frames before and after; of the curve
MOST_MISSING = 3  # frames at one place that are told from each other
MOVES = 12.0  # of the noise's variance, on both sides of the place
LEAST_PLACES = 5
ALONG = 0.35  # cosine between the step in question and those around it
EVERYWHERE = 0.5  # the same place by place, at three of four: a lamp that comes out from behind its carrier has -0.7
SAME_PACE = 0.3  # of the faster side's motion, the other side's at least: light that goes out or comes on stands on one
FARTHEST = 6.0  # steps of the faster side in one: three frames missing, and motion that quickens by half
LONGER = 1.1  # times the longer step beside it: a frame missing adds two, an arm that stops makes none longer
LEAST_STEP = 0.3  # of the change in the middle, at the places that move: light that goes out changes others as well
LEAST_GAIN = 0.75  # mean logarithm of how much better the curve fits
USUAL, ABOVE_USUAL = 0.9, 0.65  # nine in ten of the take's own frames stay below: a trembling hand, noise, a codec
LEAST_FRAMES = 16


@dataclass(frozen=True, slots=True)
class MotionTest:
    """``gain`` (n,): how much better motion fits if frames are missing before frame k, NaN where too little moves;
    ``missing`` (n,): how many fit best; ``limit``: from which gain on it is believed."""

    gain: NDArray[np.float64]
    missing: NDArray[np.int64]
    limit: float

    @property
    def judged(self) -> float:
        """Share of the frames at which enough moves to tell."""
        return float(np.isfinite(self.gain).mean()) if len(self.gain) else 0.0


def gather_moving(proxies: ProxyTake) -> NDArray[np.float32]:
    """Shrink a take to small pictures (n, places, 3), square roots of light so that noise is alike everywhere."""
    height, width = proxies.rgb.shape[1:3]
    size = (min(WIDTH, width), max(2, round(min(WIDTH, width) * height / width)))
    out = np.zeros((len(proxies), size[0] * size[1], 3), np.float32)
    for k in range(len(proxies)):
        small = cv2.resize(to_finite(proxies.rgb[k]), size, interpolation=cv2.INTER_AREA)
        out[k] = np.sqrt(np.clip(small, 0, None) + 1e-3).reshape(-1, 3)
    return out


def find_skips(moving: FloatArray, repeats: NDArray[np.bool_] | None = None) -> tuple[tuple[int, int], ...]:
    """Find where frames are missing: (frame after them, how many, at most three).

    ``moving``: (n, places, 3) small pictures (``gather_moving``). ``repeats``: (n,) frames that are the one before
    again; they are passed over.
    """
    kept = np.arange(len(moving)) if repeats is None else np.flatnonzero(~np.asarray(repeats, bool))
    test = weigh_motion(np.asarray(moving)[kept])
    gain = np.nan_to_num(test.gain, nan=-np.inf)
    found = []
    for k in np.flatnonzero(gain > test.limit):
        if gain[k] >= gain[max(0, k - HALF) : k + HALF + 1].max():
            found.append((int(kept[k]), int(test.missing[k])))
    return tuple(found)


def weigh_motion(moving: FloatArray) -> MotionTest:
    """Hold motion before and after each frame against smooth motion with and without frames missing there."""
    frames = np.asarray(moving, np.float64)
    n = len(frames)
    gain, missing = np.full(n, np.nan), np.zeros(n, np.int64)
    if n < LEAST_FRAMES:
        return MotionTest(gain, missing, np.inf)
    noise = _measure_noise(frames)
    lefts = [_leftover(more) for more in range(MOST_MISSING + 1)]
    for k in range(HALF, n - HALF + 1):
        around = frames[k - HALF : k + HALF].reshape(2 * HALF, -1)
        places = _find_moving(around, noise, frames.shape[2])
        if places.sum() < LEAST_PLACES:
            continue
        rests = [(left @ around).reshape(2 * HALF, -1, frames.shape[2])[:, places] for left in lefts]
        change = ((frames[k] - frames[k - 1]) ** 2).sum(axis=-1)
        elsewhere = float(change[places].sum()) < LEAST_STEP * float(change.sum())
        if elsewhere or not _steps_along(around.reshape(2 * HALF, -1, frames.shape[2])[:, places]):
            gain[k] = 0.0
            continue
        sizes = [np.log((rest**2).sum(axis=(0, 2)) + noise).mean() for rest in rests]
        best = int(np.argmin(sizes[1:])) + 1
        gain[k], missing[k] = sizes[0] - sizes[best], best
    return MotionTest(gain, missing, _find_limit(gain))


def _measure_noise(frames: NDArray[np.float64]) -> float:
    """Variance of a place's noise, the channels added up: from the second differences of the stillest frames."""
    second = np.diff(frames, 2, axis=0)
    return max(float(np.quantile((second**2).sum(axis=2).mean(axis=1), 0.05)) / 6, 1e-10)


def _leftover(missing: int) -> NDArray[np.float64]:
    """What a parabola through the frames leaves, (2 HALF, 2 HALF), with ``missing`` frames let pass in the middle."""
    times = np.arange(2 * HALF) + missing * (np.arange(2 * HALF) >= HALF)
    powers = np.vander((times - times.mean()) / times.max(), DEGREE + 1)
    return np.asarray(np.eye(2 * HALF) - powers @ np.linalg.pinv(powers))


def _find_moving(around: NDArray[np.float64], noise: float, channels: int) -> NDArray[np.bool_]:
    """Places that move above the noise before the middle and after it: a lamp switched on moves on one side only."""
    moves = []
    for side in (around[:HALF], around[HALF:]):
        spread = ((side - side.mean(axis=0)) ** 2).sum(axis=0)
        moves.append(spread.reshape(-1, channels).sum(axis=1) > MOVES * noise * (HALF - 1))
    return np.asarray(moves[0] & moves[1])


def _steps_along(around: NDArray[np.float64]) -> bool:
    """Whether what changes in the middle goes the way of what changes beside it, place by place: (2 HALF, m, channels).

    Notes: light that is switched on or a knock changes places otherwise than motion does. What a codec still mends
    after such a change is slower than what moved before, and the change itself larger than any few frames of motion.
    """
    before = (around[HALF - 1] - around[0]) / (HALF - 1)
    after = (around[-1] - around[HALF]) / (HALF - 1)
    step = around[HALF] - around[HALF - 1]
    usual = (before + after) / 2
    slow, fast = sorted(float(np.sqrt((side**2).sum())) for side in (before, after))
    if slow < SAME_PACE * fast or float((step**2).sum()) > (FARTHEST * fast) ** 2:
        return False
    beside = (around[HALF - 1] - around[HALF - 2], around[HALF + 1] - around[HALF])
    if float((step**2).sum()) < LONGER**2 * max(float((side**2).sum()) for side in beside):
        return False
    size = np.sqrt((step**2).sum(axis=1) * (usual**2).sum(axis=1))
    alike = (step * usual).sum(axis=1)
    whole = float(np.sqrt((step**2).sum() * (usual**2).sum()))
    return float(alike.sum()) > ALONG * whole and bool(np.mean(alike > EVERYWHERE * size) > 0.75)


def _find_limit(gain: NDArray[np.float64]) -> float:
    known = gain[np.isfinite(gain)]
    if len(known) < LEAST_FRAMES:
        return np.inf
    return max(LEAST_GAIN, float(np.quantile(known, USUAL)) + ABOVE_USUAL)
