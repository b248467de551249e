"""How much of the grain a codec leaves by how much detail there is around: on a plain wall it takes most of it away,
in a texture it leaves it.

A codec rounds small differences to nothing. Where a texture lifts them over its steps, grain rides along; so the same
level holds up to twice the grain in a texture that it holds on a plain wall, and a place that is lit, whose texture
comes out, holds more of it than it did unlit. What a take shows of this is one curve over detail, the same for all
levels and channels; without a codec it is flat.

References
----------
Sullivan & Sun, On dead-zone plus uniform threshold scalar quantization, VCIP 2005: small coefficients become zero.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.grain.measure import LUMA, PATCH, Windows
from lightstack.records import BoolArray, GrainDetail, GrainProfile

__all__ = ["detail_share", "find_detail", "find_power", "measure_detail", "signal_of"]

KNEE = 0.02  # linear level below which codes go on in even steps, about as published curves do
USUAL_POWER = 0.45  # of a display curve, where the footage's own is not known
QUANTILES = (0, 0.12, 0.25, 0.38, 0.5, 0.62, 0.75, 0.85, 0.93, 0.98, 1)  # of detail, between which patches are joined
POINTS = len(QUANTILES) - 1
LEAST_PATCHES = 2500  # in all
LEAST_PIXELS = 4000  # of a level
ROUNDS = 4
FLAT = 1.4  # times, between the fullest and the plainest places: below that nothing is said of detail
OUTLIER = 6.0  # times the usual variance of a level
SIDE = 4  # px at half size, over which detail is told: a codec's block


def find_power(encode: Callable[[NDArray], NDArray] | None) -> float:
    """Return the power of linear light that a curve's codes follow, between 5 and 40 % of white; near 0 for a log."""
    if encode is None:
        return USUAL_POWER
    levels, step = np.array([0.05, 0.4]), 1.01
    slopes = [float(np.diff(encode(np.array([level / step, level * step])))[0]) for level in levels]
    if min(slopes) <= 0:
        return USUAL_POWER
    return float(np.clip(np.log(slopes[1] / slopes[0]) / np.log(levels[1] / levels[0]), 0.02, 1.0))


def signal_of(luma: NDArray[np.float32], power: float) -> NDArray[np.float32]:
    """Return about what a codec sees of linear luma: its power, with a straight beginning."""
    return np.asarray(np.power(np.maximum(luma, 0) + np.float32(KNEE), np.float32(power)) / power, np.float32)


def find_detail(picture: NDArray[np.float32], power: float) -> NDArray[np.float32]:
    """Return the standard deviation of the signal around every place of a picture (H, W, 3), at half size (h, w)."""
    height, width = picture.shape[:2]
    luma = cv2.transform(picture, LUMA.reshape(1, 3))
    half = cv2.resize(luma, (max(1, width // 2), max(1, height // 2)), interpolation=cv2.INTER_AREA)
    signal = signal_of(half, power)
    mean, square = (cv2.blur(one, (SIDE, SIDE), borderType=cv2.BORDER_REFLECT_101) for one in (signal, signal * signal))
    return np.asarray(np.sqrt(np.maximum(square - mean * mean, 0)), np.float32)


def detail_share(picture: NDArray[np.float32], profile: GrainProfile) -> NDArray[np.float32] | None:
    """Return how the grain's variance in a picture (H, W, 3) goes with its detail, (H, W); None where it does not."""
    known = profile.detail
    if known is None:
        return None
    found = find_detail(picture, known.power)
    share = np.interp(found, known.points, known.share).astype(np.float32)
    return np.asarray(cv2.resize(share, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR), np.float32)


def measure_detail(
    windows: Windows, still: BoolArray, profile: GrainProfile, power: float
) -> GrainDetail | None:
    """Return how variance goes with detail in a take; None where it does not, or where there is too little to tell.

    ``profile``: strength by level, whatever the detail.

    Notes: variance = even variance of the level x share of the detail, found in turn. Detail is seen in a frame that
    has no part in the difference, so that no pixel's noise counts twice.
    """
    part = windows.difference.reshape(-1, 2, PATCH, 2, PATCH, 3).transpose(0, 1, 3, 2, 4, 5).reshape(-1, PATCH**2, 3)
    level = windows.level.reshape(-1, 2, PATCH, 2, PATCH, 3).transpose(0, 1, 3, 2, 4, 5).reshape(-1, PATCH**2, 3)
    usable = still[windows.patches].reshape(-1) & np.isfinite(windows.third).all(axis=(1, 2)).repeat(4)
    if usable.sum() < LEAST_PATCHES:
        return None
    variance, pixels = part[usable].var(axis=1).astype(np.float64), level[usable]
    level = pixels.mean(axis=1).astype(np.float64)
    detail = _window_detail(windows.third, power)[usable]
    edges = np.quantile(detail, QUANTILES)
    place = np.clip(np.searchsorted(edges, detail, side="right") - 1, 0, POINTS - 1)
    usual = np.stack([profile.variance_at(c, level[:, c]) for c in range(3)], axis=1)
    near = np.stack([_nearest_level(profile.levels[c], level[:, c]) for c in range(3)], axis=1)
    bins = [_nearest_level(profile.levels[c], pixels[..., c]).astype(np.uint8) for c in range(3)]
    even_ones = windows.even.repeat(4)[usable]
    share, beside = np.ones(POINTS), [np.ones(len(one)) for one in profile.levels]
    for _ in range(ROUNDS):
        even = usual / np.stack([beside[c][near[:, c]] for c in range(3)], axis=1)
        ratio = np.minimum(variance / np.maximum(even, 1e-30), OUTLIER).mean(axis=1)
        share = np.array([ratio[place == k].mean() if (place == k).any() else 1.0 for k in range(POINTS)])
        share /= share[place].mean()
        beside = [_mean_at(bins[c], share[place], even_ones, len(one)) for c, one in enumerate(profile.levels)]
    if share.max() < FLAT * share.min():
        return None
    points = np.array([detail[place == k].mean() if (place == k).any() else edges[k] for k in range(POINTS)])
    points, kept = np.unique(points, return_index=True)
    return GrainDetail(power, points, share[kept], tuple(beside))


def _window_detail(third: NDArray[np.float32], power: float) -> NDArray[np.float64]:
    """Return the detail of every patch of windows of luma (m, 16, 16), seen at half size as `find_detail` does."""
    half = third.reshape(len(third), 8, 2, 8, 2).mean(axis=(2, 4))
    signal = signal_of(half, power).astype(np.float64)
    patches = signal.reshape(-1, 2, 4, 2, 4).transpose(0, 1, 3, 2, 4).reshape(-1, SIDE**2)
    return np.asarray(patches.std(axis=1))


def _nearest_level(known: NDArray[np.float64], level: NDArray[np.floating]) -> NDArray[np.int64]:
    """Return which known level is nearest to each level."""
    return np.asarray(np.searchsorted((known[1:] + known[:-1]) / 2, level), np.int64)


def _mean_at(
    near: NDArray[np.uint8], share: NDArray[np.float64], even: BoolArray, count: int
) -> NDArray[np.float64]:
    """Return the mean share at every known level, (count,), by the pixels (n, 64) of patches; 1 where there are none.

    ``even`` (n,): patches that stand for the picture as it is; the others count where these are too few, as they do
    where strength is measured.
    """
    place, each = near.ravel(), np.repeat(share, near.shape[1])
    some = np.repeat(even, near.shape[1])
    few = np.bincount(place[some], minlength=count) < LEAST_PIXELS
    counts = some | few[place]
    weight, total = np.bincount(place[counts], minlength=count), np.bincount(place[counts], each[counts], count)
    return np.asarray(np.where(weight > 0, total / np.maximum(weight, 1), 1.0))
