"""Which frames make a clean plate, how well every place was seen, and where nothing clean is to be had."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.reach import name_place
from lightstack.records import BoolArray, FloatArray, Hole

__all__ = [
    "choose_clean_frames",
    "close_outlines",
    "compare_framing",
    "fill_holes",
    "list_places",
    "pick_moments",
    "thin_masks",
]

MEDIAN_VARIANCE = float(np.pi / 2)
SPREAD_SHARE = 0.1  # of what a frame that is seen everywhere gains: worth of standing apart from those chosen so far
FILL_SHARE = 0.004  # of the picture: larger holes are not to be painted over


def pick_moments(numbers: Sequence[int], *, most: int) -> list[int]:
    """Pick indices of frames evenly in time, ends included, at most ``most``."""
    count = len(numbers)
    if count <= most:
        return list(range(count))
    return sorted({round(i * (count - 1) / (most - 1)) for i in range(most)}) if most > 1 else [count // 2]


def thin_masks(seen: BoolArray, *, factor: int) -> BoolArray:
    """Shrink masks (m, h, w) by a whole factor: a box counts as seen where all of it is."""
    m, h, w = seen.shape
    rows, columns = -(-h // factor), -(-w // factor)
    padded = np.ones((m, rows * factor, columns * factor), bool)
    padded[:, :h, :w] = seen
    return np.asarray(padded.reshape(m, rows, factor, columns, factor).all(axis=(2, 4)))


def choose_clean_frames(seen: BoolArray, *, most: int, least: int = 3, harm: float = MEDIAN_VARIANCE) -> list[int]:
    """Choose moments so that every place is seen often and covered seldom, one after the other.

    Parameters
    ----------
    seen : (m, h, w) bool, coarse: where each moment shows the set.
    most, least : how many to choose at the most, and at the least where there are as many.
    harm : how much a covered frame shifts the result, in variances of one frame: pi / 2 for a median; 0 where covered
        places are masked; many for a mean.

    Returns
    -------
    Indices of moments, ascending.

    Notes
    -----
    Greedy, by the error that is left: a place seen c times and covered u times has the variance 1 / c, and is shifted
    by u / c towards who covers it, in sigma of one frame. Another frame is taken as long as it lowers the sum, a little
    for standing apart in time. The first of equals wins, so the choice depends on nothing but the masks.
    """
    m = len(seen)
    flat = seen.reshape(m, -1).astype(np.float32)
    free_count, covered = np.zeros((2, flat.shape[1]), np.float32)
    free = np.ones(m, bool)
    apart = np.full(m, float(m))
    chosen: list[int] = []
    while len(chosen) < min(most, m):
        gain = lower_error(free_count, covered, 1, 0, harm)
        loss = lower_error(free_count, covered, 0, 1, harm)
        worth = (flat @ (gain - loss) + loss.sum()) / flat.shape[1]
        scale = float(gain.mean())
        score = worth + SPREAD_SHARE * scale * np.minimum(apart * most / m, 1)
        best = int(np.argmax(np.where(free, score, -np.inf)))
        if worth[best] <= 0 and len(chosen) >= least:
            break
        chosen.append(best)
        free[best] = False
        free_count += flat[best]
        covered += 1 - flat[best]
        apart = np.minimum(apart, np.abs(np.arange(m) - best))
    return sorted(chosen)


def lower_error(
    seen: NDArray[np.float32], covered: NDArray[np.float32], more_seen: int, more_covered: int, harm: float
) -> NDArray[np.float32]:
    """Return by how much the error of places seen and covered so often falls with one more frame of either kind."""

    def error(c: NDArray[np.float32], u: NDArray[np.float32]) -> NDArray[np.float32]:
        known = np.maximum(c, np.float32(0.5))
        left = 1 / known + np.float32(harm) * np.minimum(u / known, 2) ** 2
        return np.asarray(left, np.float32)

    return error(seen, covered) - error(seen + more_seen, covered + more_covered)


def close_outlines(restless: BoolArray) -> BoolArray:
    """Fill the outlines that somebody who sways but never leaves draws, (h, w) bool; specks are dropped."""
    h, w = restless.shape
    reach = max(3, round(max(h, w) / 40) | 1)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    solid = cv2.morphologyEx(restless.astype(np.uint8), cv2.MORPH_CLOSE, kernel)
    outlines, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros((h, w), np.uint8)
    cv2.drawContours(filled, outlines, -1, 1, -1)
    return np.asarray(cv2.morphologyEx(filled, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)


def compare_framing(picture: FloatArray, other: FloatArray) -> float:
    """Return how far two pictures (h, w, 3) show the same texture, -1..1; about 0 for different places.

    Notes: correlation of log light without its coarse part, so that exposure and lighting count little.
    """
    textures = []
    for one in (picture, other):
        log = np.log(np.maximum(np.nan_to_num(one).mean(axis=2), 0) + 0.01).astype(np.float32)
        fine = cv2.GaussianBlur(log, (0, 0), 1.0) - cv2.GaussianBlur(log, (0, 0), 8.0)
        textures.append(np.clip(fine, -0.5, 0.5) - float(np.clip(fine, -0.5, 0.5).mean()))
    power = float(np.sqrt((textures[0] ** 2).sum() * (textures[1] ** 2).sum()))
    return float((textures[0] * textures[1]).sum()) / power if power > 0 else 0.0


def list_places(mask: BoolArray, *, least_share: float = 5e-4) -> tuple[Hole, ...]:
    """List the places of a mask (h, w), the largest first; centres in its pixels, areas as shares of the picture."""
    h, w = mask.shape
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    areas = stats[:, cv2.CC_STAT_AREA]
    large = sorted((k for k in range(1, count) if areas[k] >= least_share * h * w), key=lambda k: (-int(areas[k]), k))
    places = []
    for number, k in enumerate(large, start=1):
        deep = cv2.distanceTransform(np.pad((labels == k).astype(np.uint8), 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
        y, x = np.unravel_index(int(deep.argmax()), deep.shape)
        place = name_place((x + 0.5) / w, (y + 0.5) / h)
        places.append(Hole(number, float(x) + 0.5, float(y) + 0.5, float(areas[k]) / (h * w), place))
    return tuple(places)


def fill_holes(light: NDArray[np.float32], holes: BoolArray) -> tuple[NDArray[np.float32], BoolArray]:
    """Paint small holes over from their surroundings; return the light (H, W, 3) and what was painted (H, W) bool.

    Notes: invented, so whoever calls this marks it. A hole of more than 0.4 % of the picture is left: nothing round it
    tells what was there.

    References: Bertalmio, Bertozzi, Sapiro 2001, "Navier-Stokes, fluid dynamics, and image and video inpainting", CVPR.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(holes.astype(np.uint8), connectivity=8)
    small = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] <= FILL_SHARE * holes.size]
    painted = np.asarray(np.isin(labels, small)) if small else np.zeros(holes.shape, bool)
    if not painted.any():
        return light, painted
    out = light.copy()
    marks = painted.astype(np.uint8)
    reach = max(3, round(max(holes.shape) / 400))
    for c in range(3):
        plane = np.ascontiguousarray(np.nan_to_num(light[..., c]), np.float32)
        out[..., c] = np.where(painted, cv2.inpaint(plane, marks, reach, cv2.INPAINT_NS), light[..., c])
    return out, painted
