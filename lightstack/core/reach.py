"""Where the lamp's light arrived at all, and the places that it never reached."""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.guide import GuideRecipe, make_guide
from lightstack.records import BoolArray, Hole

__all__ = ["REACHED_SIGMA", "find_holes", "find_reached", "gather_levels"]

REACHED_SIGMA = 3.0


def gather_levels(
    stills: Iterable[tuple[NDArray, NDArray]], ambient: NDArray, recipe: GuideRecipe
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Gather the most that any frame of a sweep saw of the lamp's light, chosen as key frame or not.

    ``stills``: (light ``(h, w, 3)`` linear, valid ``(h, w)`` 0..1) one by one, at any size. ``ambient``:
    ``(h, w, 3)``. ``recipe``: planned with the noise of one full-size frame, which sets the unit. Returns the
    largest level ``(h, w, G)`` in sigma of one frame, and the largest validity ``(h, w)``.
    """
    best = np.full((*ambient.shape[:2], len(recipe.projection)), -np.inf, np.float32)
    best_valid = np.zeros(ambient.shape[:2], np.float32)
    for light, valid in stills:
        usable = np.asarray(valid, np.float32)
        level = make_guide(np.asarray(light, np.float32), ambient, recipe, valid=usable)
        np.maximum(best, np.where(usable[..., None] > 0.5, level, -np.inf), out=best)
        np.maximum(best_valid, usable, out=best_valid)
    return best, best_valid


def find_reached(best: NDArray, *, sigmas: float = REACHED_SIGMA, valid: NDArray | None = None) -> BoolArray:
    """Say where the lamp's light arrived.

    ``best``: ``(H, W)`` or ``(H, W, C)``, the largest denoised lamp light of any valid still, in standard
    deviations of one frame; with several channels the strongest counts. ``valid``: ``(H, W)``, the largest
    validity of any still; where it is 0 nothing arrived. Returns ``(H, W)`` bool.

    Notes: a lone pixel that disagrees with the eight around it is noise and follows them.
    """
    strongest = best if best.ndim == 2 else best.max(axis=2)
    reached = np.nan_to_num(strongest, nan=-np.inf, posinf=np.inf, neginf=-np.inf) >= sigmas
    if valid is not None:
        reached &= valid > 0
    lit = reached.astype(np.float32)
    around = cv2.boxFilter(lit, -1, (3, 3), normalize=False, borderType=cv2.BORDER_REFLECT)
    return np.asarray((reached & (around > 2.5)) | (around > 6.5))


def find_holes(reached: BoolArray, *, min_share: float = 0.002) -> tuple[Hole, ...]:
    """List the places that the light never reached, the largest first.

    ``reached``: ``(H, W)`` bool. ``min_share``: the smallest area worth naming, as a share of the picture.
    Returns holes numbered from 1, centres in pixels of the given picture (pixel centres at .5). The centre
    is the hole's innermost point, so a mark set there lies inside it.
    """
    height, width = reached.shape
    dark = np.ascontiguousarray(~reached, np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    areas = stats[:, cv2.CC_STAT_AREA]
    large = [k for k in range(1, count) if areas[k] >= min_share * height * width]
    large.sort(key=lambda k: (-int(areas[k]), k))
    holes = []
    for number, k in enumerate(large, start=1):
        x, y = _find_innermost(labels == k)
        share = float(areas[k]) / (height * width)
        holes.append(Hole(number=number, x=x, y=y, area_share=share, where=name_place(x / width, y / height)))
    return tuple(holes)


def _find_innermost(mask: BoolArray) -> tuple[float, float]:
    """Give the centre (x, y) of the pixel of a mask that lies farthest from its rim."""
    framed = np.pad(mask.astype(np.uint8), 1)
    distance = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    y, x = np.unravel_index(int(distance.argmax()), mask.shape)
    return float(x) + 0.5, float(y) + 0.5


def name_place(x: float, y: float) -> str:
    """Say in words where a point lies; ``x`` and ``y`` run 0..1 from the top left."""
    column = ("left", "", "right")[min(int(x * 3), 2)]
    row = ("top", "", "bottom")[min(int(y * 3), 2)]
    return f"{row} {column}".strip() or "centre"
