"""Specks of the lamp or its carrier that a mask missed: small, far brighter than any other still, and hard by the mask.

What a mask misses of a lit sleeve or of the lamp lies at its rim and outshines the set as every other still shows it.
Light on the set that did so would go on beyond a few pixels.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray

__all__ = ["find_specks"]

OUTSHINE = 3.0  # times as bright as the next best still
MOST_AREA = 5e-4  # of the picture
AT_MASK = 0.4  # of a speck's surroundings, hidden by the still's own mask or beyond the picture
SURE_SIGMA = 3.0
RIM = np.ones((3, 3), np.uint8)


def find_specks(
    count: int, read: Callable[[int], tuple[NDArray, NDArray]], sigma: float | NDArray
) -> dict[int, BoolArray]:
    """Return, by still, the places (h, w) to leave out of it, with a rim of one pixel; stills without any are not told.

    ``read``: gives a still's lamp light (h, w) at small size, and what its mask leaves open (h, w) bool; asked for one
    at a time. ``sigma``: of one still's noise there, one number or (h, w).
    """
    if count < 2:
        return {}
    first: NDArray = np.zeros(read(0)[1].shape, np.float32)
    second, winner, seen = np.zeros_like(first), np.full(first.shape, -1), np.zeros(first.shape, np.int32)
    for k in range(count):
        light, shown = read(k)
        level = np.where(shown, np.asarray(light, np.float32), 0)
        winner[level > first] = k
        seen += shown
        np.maximum(second, np.minimum(first, level), out=second)
        np.maximum(first, level, out=first)
    stands_out = (first > OUTSHINE * np.maximum(second, SURE_SIGMA * np.asarray(sigma, np.float32))) & (seen > 1)
    found = {}
    for k in np.unique(winner[stands_out]):
        shown = np.asarray(read(int(k))[1], bool)
        specks = _keep_at_mask(stands_out & (winner == k), ~shown) & shown & (seen > 1)
        seen -= specks  # what only one still shows any more stays
        if specks.any():
            found[int(k)] = specks
    return found


def _keep_at_mask(bright: BoolArray, hidden: BoolArray) -> BoolArray:
    """Keep the small ones of bright places (h, w) that what is hidden surrounds, and give them a rim."""
    beyond = np.pad(hidden, 1, constant_values=True)
    count, labels, facts, _ = cv2.connectedComponentsWithStats(np.pad(bright, 1).astype(np.uint8), connectivity=4)
    kept = np.zeros(beyond.shape, np.uint8)
    for label in range(1, count):
        if facts[label, cv2.CC_STAT_AREA] > MOST_AREA * bright.size:
            continue
        speck = (labels == label).astype(np.uint8)
        grown = cv2.dilate(speck, RIM)
        if beyond[grown > speck].mean() >= AT_MASK:
            kept |= grown
    return kept[1:-1, 1:-1] > 0
