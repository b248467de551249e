"""The set's picture where the tossed thing itself stands in it: mended from takes in which it has left.

A hat that hangs on its peg in the empty take and falls in every try leaves its own picture behind. Places that differ
from the empty picture in many frames, and where the empty picture draws an outline that the takes do not, show
something that is gone; there the takes show the set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.ghosts import measure_steepness
from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["LeftSet", "find_left", "lay_mended"]

OFTEN = 0.34  # share of the frames; less is the thing passing by, or come to rest
REACH = 0.06  # of the diagonal: how far a shadow of what has left may lie beside it
SHOWN_SIGMAS = 2.0
LEAST_AREA = 40  # pixels at survey size
WHOLE = 0.7  # of a part that must differ on a frame that shows the set without it
CLEARER = 1.4  # by how much the empty picture must draw the outline more clearly than the takes do


@dataclass(frozen=True, slots=True, eq=False)
class LeftSet:
    """``mask`` (h, w) where the set's picture shows what has left; ``shown`` (h, w, 3) the set without it; ``without``
    [n]: the frames, by index, that show it so."""

    mask: BoolArray
    shown: NDArray[np.float32]
    without: tuple[int, ...]


def find_left(
    bare: FloatArray, frames: Sequence[FloatArray], differs: Sequence[BoolArray], *, noise: NoiseModel
) -> LeftSet:
    """Find what stands in the set's picture and has left in the takes.

    ``frames``: of all tries, each ``(h, w, 3)``; ``differs``: where each differs from ``bare``. Something that came to
    rest differs from the empty picture as well, but then the takes draw its outline, and the empty picture does not.
    """
    standing = np.mean([d.astype(np.float32) for d in differs], axis=0)
    mask = cv2.morphologyEx((standing >= OFTEN).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    left, shown = np.zeros(mask.shape, bool), np.asarray(bare, np.float32).copy()
    steep = measure_steepness(bare, noise)
    used: set[int] = set()
    for k in range(1, count):
        part = labels == k
        without = [i for i, one in enumerate(differs) if one[part].mean() > WHOLE]
        if stats[k, cv2.CC_STAT_AREA] < LEAST_AREA or len(without) < 2:
            continue
        settled = np.median(np.stack([frames[i] for i in without]), axis=0).astype(np.float32)
        if not draws_more(part, steep, measure_steepness(settled, noise)):
            continue
        grown = grow_left(part, bare, settled, noise)
        left |= grown
        shown[grown] = settled[grown]
        used |= set(without)
    return LeftSet(left, shown, tuple(sorted(used)))


def draws_more(part: BoolArray, steep_set: NDArray[np.float32], steep_takes: NDArray[np.float32]) -> bool:
    """Tell whether the set's picture draws a part's outline more clearly than the takes do."""
    one = part.astype(np.uint8)
    rim = (cv2.dilate(one, disc(2)) > 0) & (cv2.erode(one, disc(2)) == 0)
    return bool(steep_set[rim].mean() > CLEARER * steep_takes[rim].mean())


def grow_left(part: BoolArray, bare: FloatArray, settled: NDArray[np.float32], noise: NoiseModel) -> BoolArray:
    """Take in what hangs together with something that left, its shadow above all."""
    reach = max(3, round(REACH * float(np.hypot(*part.shape))))
    near = cv2.dilate(part.astype(np.uint8), disc(reach)) > 0
    apart = cv2.blur((settled - bare) / noise.sigma(bare), (5, 5), borderType=cv2.BORDER_REPLICATE)
    changed = near & (np.abs(apart).max(-1) > SHOWN_SIGMAS)
    _, labels = cv2.connectedComponents((changed | part).astype(np.uint8))
    keep = np.unique(labels[part])
    grown = np.isin(labels, keep[keep > 0])
    return np.asarray(cv2.dilate(grown.astype(np.uint8), disc(2)) > 0)


def lay_mended(bare: FloatArray, mended: FloatArray, left: BoolArray) -> NDArray[np.float32]:
    """Return a picture with another's light where something left, soft at the border, ``(H, W, 3)``.

    ``left``: (h, w) at any size.
    """
    height, width = bare.shape[:2]
    wide = cv2.resize(left.astype(np.float32), (width, height), interpolation=cv2.INTER_LINEAR)
    share = cv2.GaussianBlur(wide, (0, 0), 1.5 * width / left.shape[1])[..., None]
    return np.asarray(bare + np.clip(share, 0, 1) * (mended - bare), np.float32)
