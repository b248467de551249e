"""The shadow of a thing as a ratio: by what the set behind it is multiplied. 1 where there is none."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import carry_on
from lightstack.records import BoolArray, FloatArray

__all__ = ["find_shade"]

FINE, COARSE = 1.2, 4.0  # pixels at survey size over which light and colour of a shadow are averaged
FADES, SHOWS = 2.0, 4.5  # sigma: fainter is none, stronger is all there
SURE = 6.0  # sigma that a shadow must reach somewhere
LEAST_AREA = 12  # pixels at survey size
DEEPEST = 0.05


def find_shade(
    frame: FloatArray,
    behind: FloatArray,
    variance: FloatArray,
    away: BoolArray,
    *,
    prop: BoolArray,
    hand: BoolArray | None = None,
    scale: float = 1.0,
) -> NDArray[np.float32]:
    """Return the shadow as a ratio, ``(h, w, 3)`` in 0..1.

    Parameters
    ----------
    frame, behind, variance : ``(h, w, 3)`` a frame, the bare set as lit, and how far a frame may stray from it.
    away : (h, w) where the set is not seen; the shadow there is carried on from around it.
    prop, hand : (h, w) whose shadow it is, and whose it is not: what lies nearer to the hand is the hand's.
    scale : pixels of this picture to one at survey size.

    Notes: light that the thing throws onto the set is left out; it would brighten.
    """
    seen = np.asarray((~away)[..., None] / variance, np.float32)
    fine = ratio_over(frame, behind, seen, FINE * scale)
    coarse = ratio_over(frame, behind, seen, COARSE * scale)
    depth, sigma = depth_over(frame, behind, seen, FINE * scale)
    wide, wide_sigma = depth_over(frame, behind, seen, COARSE * scale)
    certain = np.maximum(depth / sigma, wide / wide_sigma)
    keep = np.clip((certain - FADES) / (SHOWS - FADES), 0, 1)
    keep = keep * choose_parts(keep > 0, certain, prop, hand, round(LEAST_AREA * scale**2), away)
    level = np.clip(1 - depth, DEEPEST, 1)[..., None]
    colour = coarse / np.maximum(coarse.mean(-1, keepdims=True), DEEPEST)
    blend = np.clip(0.5 * (certain[..., None] / SHOWS - 1), 0, 1)
    ratio = np.clip(blend * np.minimum(fine, 1) + (1 - blend) * level * colour, DEEPEST, 1)
    shade = 1 - soften(keep, away, 0.8 * scale)[..., None] * (1 - ratio)
    return carry_under(np.asarray(shade, np.float32), away, scale)


def soften(keep: FloatArray, away: BoolArray, sigma: float) -> NDArray[np.float32]:
    """Blur what is kept, (h, w), by what is seen of it: beside the thing a shadow does not fade."""
    seen = (~away).astype(np.float32)
    above, below = (cv2.GaussianBlur(one, (0, 0), sigma) for one in (np.asarray(keep * seen, np.float32), seen))
    return np.asarray(above / np.maximum(below, 1e-3), np.float32)


def ratio_over(frame: FloatArray, behind: FloatArray, weight: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Return frame over set, fitted with certainties, ``(h, w, 3)``; 1 where nothing is seen."""
    options: dict[str, Any] = {"ksize": (0, 0), "sigmaX": sigma, "borderType": cv2.BORDER_REPLICATE}
    above = cv2.GaussianBlur(np.asarray(frame * behind * weight, np.float32), **options)
    below = cv2.GaussianBlur(np.asarray(behind**2 * weight, np.float32), **options)
    little = np.float32(1e-3)
    return np.asarray((above + little) / (below + little), np.float32)


def depth_over(
    frame: FloatArray, behind: FloatArray, weight: NDArray[np.float32], sigma: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return how much light is gone, one ratio for all channels, and its sigma, (h, w) each."""
    options: dict[str, Any] = {"ksize": (0, 0), "sigmaX": sigma, "borderType": cv2.BORDER_REPLICATE}
    above = cv2.GaussianBlur(np.asarray((frame * behind * weight).sum(-1), np.float32), **options)
    below = cv2.GaussianBlur(np.asarray((behind**2 * weight).sum(-1), np.float32), **options)
    independent = 4 * np.pi * sigma**2 / 3  # pixels under the kernel, fewer for what neighbours and channels share
    error = 1 / np.sqrt(np.maximum(below * max(1.0, independent), 1e-3))
    return 1 - (above + 1e-3) / (below + 1e-3), error + np.float32(0.004)


def choose_parts(
    mask: BoolArray,
    certain: NDArray[np.float32],
    prop: BoolArray,
    hand: BoolArray | None,
    least: int,
    away: BoolArray,
) -> NDArray[np.float32]:
    """Return 1 (h, w) on the parts that are sure, large enough, and nearer to the thing than to the hand."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats((mask & ~away).astype(np.uint8))
    keep = stats[:, cv2.CC_STAT_AREA] >= least
    keep &= np.bincount(labels[certain > SURE], minlength=count) >= max(3, least // 4)
    if hand is not None and hand.any():
        near_prop, near_hand = (distance_to(part) for part in (prop, hand))
        nearer = np.bincount(labels.ravel(), (near_prop - near_hand).ravel(), count)
        keep &= nearer < 0
    keep[0] = False
    return np.asarray(keep[labels], np.float32)


def distance_to(mask: BoolArray) -> NDArray[np.float32]:
    """Return the distance from a mask, (h, w) pixels; far where it is empty."""
    if not mask.any():
        return np.full(mask.shape, 1e6, np.float32)
    return np.asarray(cv2.distanceTransform(1 - mask.astype(np.uint8), cv2.DIST_L2, 5), np.float32)


def carry_under(shade: NDArray[np.float32], away: BoolArray, scale: float) -> NDArray[np.float32]:
    """Carry the shadow on beneath what hides the set."""
    if not away.any() or not (shade < 1).any():
        return np.where(away[..., None], np.float32(1), shade)
    mass = (~away).astype(np.float32)
    carried = carry_on(shade * mass[..., None], mass, sigmas=[s * scale for s in (1.0, 3.0, 10.0)])
    return np.where(away[..., None], np.clip(carried, DEEPEST, 1), shade).astype(np.float32)
