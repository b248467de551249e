"""A part of one picture laid over another: exposure and white matched from a ring around the mask, then blended.

The ring lies just outside the mask, where both pictures show the same set. Their ratio there says by how much the
patch must be brighter: by one gain for each channel, or by gains that follow the ring and are carried inwards, where
the light differs from one side of the mask to the other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = [
    "MATCHES",
    "RingRatio",
    "blend_patch",
    "carry_inwards",
    "find_ring",
    "find_usable",
    "hold_changes",
    "measure_change",
    "measure_ratio",
    "say_even",
]

MATCHES = ("around", "even", "off")
SURE_SIGMA = 4.0  # of a mean of frames: light dimmer than this says nothing of a ratio
CLEAR_SIGMA = 1.5  # of one frame: below that a camera that cuts noise off at black shifts the median
LEAST_PIXELS = 24  # in a ring at survey size
MIXED_BOX, MIXED_SHARE = (5, 5), 0.15  # light that differs by more from one part of a ring to another is not exposure
STRAY_STOPS = 0.5  # from its neighbours: a pixel that shows another thing
CHANGE_ERRORS, CHANGE_STOPS = 2.0, 0.004  # a change of their joint size is followed by half


@dataclass(frozen=True, slots=True)
class RingRatio:
    """How much brighter the hero is than the patch: ``stops`` ``(h, w, 3)`` and where it is ``known`` (h, w)."""

    stops: NDArray[np.float32]
    known: BoolArray


def find_ring(mask: FloatArray, *, width_px: int, gap_px: int = 1) -> BoolArray:
    """Return the ring ``(h, w)`` of ``width_px`` outside a mask ``(h, w)``, ``gap_px`` away from it."""
    covered = (np.asarray(mask) > 1e-3).astype(np.uint8)
    near = cv2.dilate(covered, _disc(gap_px))
    return np.asarray((cv2.dilate(near, _disc(width_px)) > 0) & (near == 0))


def _disc(radius: int) -> NDArray[np.uint8]:
    side = 2 * radius + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)


def find_usable(
    patch: FloatArray, *, noise: NoiseModel, frames: int, inside: BoolArray, clipped: BoolArray
) -> BoolArray:
    """Return where a patch's light ``(h, w, 3)`` stands clear of noise in every channel, unclipped: (h, w).

    ``noise``: of one frame; ``frames``: how many of them the patch and the hero's still part are told by at least.
    Judged on the patch, which is a mean: judging a noisy frame of the hero would favour its bright noise.
    """
    least = max(CLEAR_SIGMA, SURE_SIGMA / np.sqrt(max(frames, 1)))
    sure = (patch > least * noise.sigma(np.maximum(patch, 0))).all(axis=2)
    return np.asarray(sure & inside & ~clipped)


def measure_ratio(hero: FloatArray, patch: FloatArray, usable: BoolArray) -> RingRatio:
    """Return by how many stops the hero ``(h, w, 3)`` is brighter than the patch, pixel by pixel.

    ``hero``: free of most noise and of whoever passes (a median over time). Pixels that stand apart from their
    neighbours (something that only one of the two pictures shows) are not known.
    """
    known = usable & (hero > 0).all(axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        stops = np.log2(hero / patch).astype(np.float32)
    stops = np.where(known[..., None], stops, 0).astype(np.float32)
    if known.any():
        middle = np.median(stops[known], axis=0)
        filled = np.where(known[..., None], stops, middle).astype(np.float32)
        smooth = np.stack([cv2.medianBlur(np.ascontiguousarray(filled[..., c]), 5) for c in range(3)], axis=-1)
        known &= (np.abs(filled - smooth) < STRAY_STOPS).all(axis=2)
    return RingRatio(np.where(known[..., None], stops, 0).astype(np.float32), known)


def say_even(ratio: RingRatio, ring: BoolArray, weight: FloatArray) -> NDArray[np.float64]:
    """Return the stops ``(3,)`` that match the patch as a whole: the weighted median over the ring, NaN if too small.

    ``weight`` ``(h, w)``: how well a pixel tells a ratio (its level over its noise).
    """
    chosen = ring & ratio.known
    if np.count_nonzero(chosen) < LEAST_PIXELS:
        return np.full(3, np.nan)
    weights = np.asarray(weight[chosen], np.float64)
    return np.array([_weighted_median(ratio.stops[chosen][:, c], weights) for c in range(3)])


def _weighted_median(values: NDArray, weights: NDArray[np.float64]) -> float:
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def measure_change(
    hero: FloatArray, patch: FloatArray, ratio: RingRatio, ring: BoolArray, *, noise: NoiseModel
) -> tuple[NDArray[np.float64], float]:
    """Return by how many stops ``(3,)`` one frame differs from ``ratio`` on the ring, and its standard error.

    ``hero``: that frame ``(h, w, 3)``; ``noise`` of it. NaN where the ring is too small, or where most of it shows
    something else than the set (whoever passes).
    """
    chosen = ring & ratio.known
    if np.count_nonzero(chosen) < LEAST_PIXELS:
        return np.full(3, np.nan), np.inf
    expected = patch[chosen] * 2.0 ** ratio.stops[chosen]
    # a ratio's median is that of its logarithm, and needs no logarithm of a pixel that noise made negative
    relative = hero[chosen] / expected
    spread = noise.sigma(expected) / expected
    change = np.median(relative, axis=0)
    if not np.all(change > 0) or _is_mixed(relative, spread, chosen):
        return np.full(3, np.nan), np.inf
    # 1.2533 is the standard error of a median over that of a mean, for normal noise
    error = 1.2533 * float(np.median(spread)) / np.sqrt(len(relative)) / np.log(2)
    return np.log2(change), error


def _is_mixed(relative: NDArray, spread: NDArray, chosen: BoolArray) -> bool:
    """Tell whether a ring shows two things: the set, and somebody or a shadow in front of part of it.

    ``relative``, ``spread`` ``(m, 3)``: light over what is expected, and its noise, of the ``chosen`` pixels (h, w). A
    change of exposure is the same all round; noise is taken out by averaging neighbours first.
    """
    picture, weight = np.zeros(chosen.shape, np.float32), np.zeros(chosen.shape, np.float32)
    sure = 1 / np.maximum(spread.mean(axis=1), 1e-6) ** 2
    picture[chosen], weight[chosen] = relative.mean(axis=1) * sure, sure
    total = cv2.boxFilter(weight, -1, MIXED_BOX, normalize=False)[chosen]
    local = cv2.boxFilter(picture, -1, MIXED_BOX, normalize=False)[chosen] / total
    noise = float(np.median(np.sqrt(1 / (3 * total))))
    low, high = np.percentile(local, (15, 85))
    return bool(high - low > MIXED_SHARE * np.median(local) + 2 * CHANGE_ERRORS * noise)


def hold_changes(changes: NDArray[np.float64], errors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the changes ``(n, 3)`` of every frame that are to be followed, in stops.

    A frame is followed as far as it stands out from its error (Wiener's weight): a patch that trembles with the noise
    of its ring would be seen. Frames that could not be measured (NaN) run straight between those that could.

    References: Wiener 1949, "Extrapolation, Interpolation, and Smoothing of Stationary Time Series", chapter 3.
    """
    known = np.isfinite(changes).all(axis=1)
    if not known.any():
        return np.zeros_like(changes)
    places = np.arange(len(changes))
    filled = np.stack([np.interp(places, places[known], column[known]) for column in changes.T], axis=-1)
    middle = np.median(filled[known], axis=0)
    rest = filled - middle
    doubt = (CHANGE_ERRORS * float(np.median(errors[known]))) ** 2 + CHANGE_STOPS**2
    return middle + rest * rest**2 / (rest**2 + doubt)


def carry_inwards(stops: FloatArray, known: BoolArray) -> NDArray[np.float32]:
    """Fill a field ``(h, w, c)`` smoothly from where it is ``known`` ``(h, w)``; there it is smoothed a little too.

    Notes: the field is halved again and again, known places weighing, and built up again from the coarsest, each
    level giving only what the finer one lacks ("pull-push"). Cost grows with the area alone.

    References: Gortler, Grzeszczuk, Szeliski, Cohen 1996, "The Lumigraph", SIGGRAPH, section 3.4.
    """
    weight = known.astype(np.float32)
    value = np.where(known[..., None], stops, 0).astype(np.float32)
    levels = [(value, weight)]
    while min(levels[-1][1].shape) > 1:
        value, weight = (np.asarray(cv2.pyrDown(item), np.float32) for item in levels[-1])
        levels.append((value.reshape(*weight.shape, -1), weight))
    value, weight = levels.pop()
    field = value / np.maximum(weight, 1e-9)[..., None]
    for value, weight in reversed(levels):
        size = (weight.shape[1], weight.shape[0])
        above = np.asarray(cv2.resize(field, size, interpolation=cv2.INTER_LINEAR), np.float32)
        sure = np.minimum(weight * 2, 1)[..., None]  # a half-known cell is as good as a known one, only noisier
        own = value / np.maximum(weight, 1e-9)[..., None]
        field = sure * own + (1 - sure) * above.reshape(own.shape)
    return np.asarray(field, np.float32)


def blend_patch(
    hero: NDArray[np.float32],
    patch: FloatArray,
    mask: FloatArray,
    *,
    gain: FloatArray,
    rows: slice = slice(None),
    columns: slice = slice(None),
) -> NDArray[np.float32]:
    """Lay a patch over a hero frame through a mask; where the mask is 0 the hero stays bit for bit.

    ``hero`` ``(H, W, 3)``; ``patch``, ``mask`` and ``gain`` (of the patch, ``(3,)`` or a picture) are those of the
    box ``rows`` x ``columns``. Returns a new picture. Linear light, so the border mixes as light does.
    """
    out = hero.copy()
    box = out[rows, columns]
    share = np.asarray(mask, np.float32)[..., None]
    lit = np.asarray(patch * gain, np.float32)
    mixed = np.where(share >= 1, lit, box + share * (lit - box))
    box[...] = np.where(share > 0, mixed, box)
    return out
