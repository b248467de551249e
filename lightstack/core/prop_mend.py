"""The set's picture where the tossed thing itself stands in it: mended from takes in which it has left.

A hat that hangs on its peg in the empty take and falls in every try leaves its own picture behind. Places that differ
from the empty picture in many frames, and where the empty picture draws an outline that the takes do not, show
something that is gone; there the takes show the set.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["find_left", "lay_mended", "median_where"]

OFTEN = 0.34  # share of the frames; less is the thing passing by, or come to rest
REACH = 0.06  # of the diagonal: how far a shadow of what has left may lie beside it
SHOWN_SIGMAS = 2.0
LEAST_AREA = 40  # pixels at survey size
CLEARER = 1.4  # by how much the empty picture must draw the outline more clearly than the takes do


def find_left(
    bare: FloatArray, frames: Sequence[FloatArray], differs: Sequence[BoolArray], *, noise: NoiseModel
) -> tuple[BoolArray, NDArray[np.float32]]:
    """Find what stands in the set's picture and has left in the takes, (h, w), and what is shown without, (h, w, 3).

    ``frames``: of all tries, each ``(h, w, 3)``; ``differs``: where each differs from ``bare``.
    """
    standing = np.mean([d.astype(np.float32) for d in differs], axis=0)
    shown = median_where(frames, differs, bare)
    left = keep_outlined(standing >= OFTEN, bare, shown, noise)
    if not left.any():
        return left, shown
    reach = max(3, round(REACH * float(np.hypot(*left.shape))))
    near = cv2.dilate(left.astype(np.uint8), disc(reach)) > 0
    settled = np.median(np.stack(list(frames)), axis=0).astype(np.float32)
    return grow_left(left, near, bare, settled, noise), shown


def keep_outlined(often: BoolArray, bare: FloatArray, shown: FloatArray, noise: NoiseModel) -> BoolArray:
    """Keep the parts whose outline the empty picture draws and the takes do not, (h, w).

    Something that came to rest differs from the empty picture as well, but then the takes draw its outline.
    """
    mask = cv2.morphologyEx(often.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    kept = np.zeros(often.shape, bool)
    if count > 1:
        steep_set, steep_takes = (measure_steepness(picture, noise) for picture in (bare, shown))
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < LEAST_AREA:
            continue
        one = (labels == k).astype(np.uint8)
        rim = (cv2.dilate(one, disc(2)) > 0) & (cv2.erode(one, disc(2)) == 0)
        if steep_set[rim].mean() > CLEARER * steep_takes[rim].mean():
            kept |= labels == k
    return kept


def measure_steepness(picture: FloatArray, noise: NoiseModel) -> NDArray[np.float32]:
    """Return how steep a picture is in logs, (h, w); where it is dark noise does not count."""
    floor = 2 * np.sqrt(np.maximum(noise.b, 1e-10)) + 1e-4
    logs = np.log(np.maximum(np.asarray(picture, np.float32), 0) + floor.astype(np.float32))
    soft = cv2.GaussianBlur(logs, (0, 0), 0.8, borderType=cv2.BORDER_REPLICATE)
    slopes = [cv2.Scharr(soft, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)]
    return np.asarray(np.sqrt(slopes[0] ** 2 + slopes[1] ** 2).max(-1), np.float32)


def grow_left(
    left: BoolArray, near: BoolArray, bare: FloatArray, settled: NDArray[np.float32], noise: NoiseModel
) -> BoolArray:
    """Take in what hangs together with something that left, its shadow above all."""
    apart = cv2.blur((settled - bare) / noise.sigma(bare), (5, 5), borderType=cv2.BORDER_REPLICATE)
    changed = near & (np.abs(apart).max(-1) > SHOWN_SIGMAS)
    _, labels = cv2.connectedComponents((changed | left).astype(np.uint8))
    keep = np.unique(labels[left])
    grown = np.isin(labels, keep[keep > 0])
    return np.asarray(cv2.dilate(grown.astype(np.uint8), disc(2)) > 0)


def median_where(
    frames: Sequence[FloatArray], use: Sequence[BoolArray], otherwise: FloatArray
) -> NDArray[np.float32]:
    """Return the median of frames ``(h, w, 3)`` where each may be used, (h, w); ``otherwise`` where none may."""
    stack = np.stack([np.where(u[..., None], f, np.nan) for f, u in zip(frames, use, strict=True)]).astype(np.float32)
    some = np.any(use, axis=0)
    result = np.asarray(otherwise, np.float32).copy()
    if some.any():
        result[some] = np.nanmedian(stack[:, some], axis=0)
    return result


def lay_mended(bare: FloatArray, mended: FloatArray, left: BoolArray) -> NDArray[np.float32]:
    """Return a picture with another's light where something left, soft at the border, ``(H, W, 3)``.

    ``left``: (h, w) at any size.
    """
    height, width = bare.shape[:2]
    wide = cv2.resize(left.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    share = cv2.GaussianBlur(wide, (0, 0), 1.5 * width / left.shape[1])[..., None]
    return np.asarray(bare + np.clip(share, 0, 1) * (mended - bare), np.float32)
