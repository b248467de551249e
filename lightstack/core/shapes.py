"""Shapes drawn over a picture: polygons that move between the frames they are drawn at, as soft masks.

Corners are in pixels, x right, y down, pixel centres at .5. Where a border crosses a pixel the mask is the share of the
pixel that lies inside; a feather widens the border outwards, so that what was drawn round stays covered whole.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["corners_at", "cover_polygon", "draw_polygon", "feather_mask", "move_corners", "touches_picture"]

PIECES_AT_ONCE = 262_144  # pixels times edges whose distance is taken at a time


def corners_at(frames: Sequence[float], drawn: Sequence[NDArray[np.float64]], frame: float) -> NDArray[np.float64]:
    """Return the corners ``(k, 2)`` at a frame of a polygon drawn at ``frames`` (ascending), each ``(k, 2)``.

    Every corner runs straight from one drawing to the next; before the first and after the last it stays.
    """
    at = np.asarray(frames, np.float64)
    tracks = np.asarray(drawn, np.float64).reshape(len(at), -1)
    return np.array([np.interp(frame, at, track) for track in tracks.T]).reshape(-1, 2)


def move_corners(corners: NDArray[np.float64], matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return corners ``(k, 2)`` moved by a pose ``(3, 3)``: the place at x goes to M x."""
    moved = np.column_stack([corners, np.ones(len(corners))]) @ np.asarray(matrix, np.float64).T
    return moved[:, :2] / moved[:, 2:]


def touches_picture(corners: NDArray[np.float64], size: tuple[int, int]) -> bool:
    """Tell whether any part of a polygon lies within a ``(H, W)`` picture."""
    return bool(cover_polygon(corners, size).any())


def cover_polygon(corners: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return which share of every pixel a polygon ``(k, 2)`` covers, ``(H, W)`` float32, 0 to 1, exactly.

    Notes
    -----
    Every edge is cut where it crosses from pixel to pixel; each piece adds the area to its right to its own pixel and
    to those after it, and a running sum along the row gives the cover (Green's theorem). Areas that the outline runs
    round twice count once. Costs grow with the length of the outline and the area of its box.
    """
    height, width = size
    area = np.zeros((height, width + 2), np.float64)
    begin = np.asarray(corners, np.float64)
    for (x0, y0), (x1, y1) in zip(begin, np.roll(begin, -1, axis=0), strict=True):
        if y0 == y1:
            continue
        steps = _cut_edge(x0, y0, x1, y1, size)
        x, y = x0 + steps * (x1 - x0), y0 + steps * (y1 - y0)
        rise, middle = np.diff(y), 0.5 * (x[:-1] + x[1:])
        row = np.floor(0.5 * (y[:-1] + y[1:])).astype(np.int64)
        middle = np.clip(middle, 0, width)  # left of the picture an edge covers whole rows, right of it nothing
        column = np.minimum(np.floor(middle).astype(np.int64), width)
        inside = (row >= 0) & (row < height)
        row, column, rise, part = row[inside], column[inside], rise[inside], (middle - column)[inside]
        np.add.at(area, (row, column), rise * (1 - part))
        np.add.at(area, (row, column + 1), rise * part)
    used = np.flatnonzero(area.any(axis=1))
    cover = np.zeros(size, np.float32)
    if len(used):
        rows = slice(used[0], used[-1] + 1)
        summed = np.abs(np.cumsum(area[rows, :width], axis=1))
        cover[rows] = np.where(summed > 1e-9, np.minimum(summed, 1), 0)
    return cover


def _cut_edge(x0: float, y0: float, x1: float, y1: float, size: tuple[int, int]) -> NDArray[np.float64]:
    """Return where along an edge, 0 to 1, it crosses into other pixels of a ``(H, W)`` picture, ends included."""
    cuts = [np.array([0.0, 1.0])]
    for start, end, most in ((x0, x1, size[1]), (y0, y1, size[0])):
        if start == end:
            continue
        low, high = max(min(start, end), -1.0), min(max(start, end), most + 1.0)
        lines = np.arange(np.ceil(low), np.floor(high) + 1)
        cuts.append((lines - start) / (end - start))
    steps = np.unique(np.concatenate(cuts))
    return steps[(steps >= 0) & (steps <= 1)]


def draw_polygon(
    corners: NDArray[np.float64], size: tuple[int, int], *, feather_px: float = 0.0
) -> NDArray[np.float32]:
    """Return a polygon's mask ``(H, W)`` float32: 1 inside, falling smoothly to 0 over ``feather_px`` outside of it.

    Notes: the border moves with the corners by fractions of a pixel, with and without feather, so that a moving shape
    does not step.
    """
    if feather_px <= 0:
        return cover_polygon(corners, size)
    mask = np.zeros(size, np.float32)
    low = np.floor(np.min(corners, axis=0) - feather_px - 3).astype(int)
    high = np.ceil(np.max(corners, axis=0) + feather_px + 3).astype(int)
    left, top = np.clip(low, 0, size[::-1])
    right, bottom = np.clip(high, 0, size[::-1])
    if right > left and bottom > top:  # nothing is drawn beyond the shape's own box
        mask[top:bottom, left:right] = _draw_soft(
            np.asarray(corners, np.float64) - (left, top), (int(bottom - top), int(right - left)), feather_px
        )
    return mask


def _draw_soft(corners: NDArray[np.float64], size: tuple[int, int], feather_px: float) -> NDArray[np.float32]:
    """Draw a feathered polygon into a picture that is no larger than it needs."""
    cover = cover_polygon(corners, size)
    rows, columns = np.nonzero(_find_border(cover, corners, size, feather_px))
    distance = distance_to_outline(np.column_stack([columns + 0.5, rows + 0.5]), corners)
    outside = cover[rows, columns] < 0.5
    soft = np.where(outside, fall_smoothly(distance / feather_px), 1.0).astype(np.float32)
    cover[rows, columns] = np.maximum(cover[rows, columns], soft)
    return cover


def _find_border(
    cover: NDArray[np.float32], corners: NDArray[np.float64], size: tuple[int, int], feather_px: float
) -> NDArray[np.bool_]:
    """Return the pixels ``(H, W)`` that the feather may reach."""
    height, width = size
    inside = cover > 0
    near = np.zeros(size, bool)
    if inside.any():
        distance = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
        near = np.asarray(distance <= feather_px + 2)
    if corners.min() < 0 or corners[:, 0].max() > width or corners[:, 1].max() > height:
        reach = int(np.ceil(feather_px)) + 1  # an outline beyond the picture may still reach in with its feather
        rim = np.ones(size, bool)
        rim[reach : height - reach, reach : width - reach] = False
        near |= rim
    return near & (cover < 1)


def distance_to_outline(points: NDArray[np.float64], corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the distance in pixels ``(n,)`` of points ``(n, 2)`` from the nearest edge of a polygon ``(k, 2)``."""
    begin = np.asarray(corners, np.float64)
    along = np.roll(begin, -1, axis=0) - begin
    length = np.maximum((along**2).sum(axis=1), 1e-12)
    nearest = np.empty(len(points), np.float64)
    count = max(1, PIECES_AT_ONCE // len(begin))
    for start in range(0, len(points), count):
        offset = points[start : start + count, None] - begin
        place = np.clip((offset * along).sum(axis=2) / length, 0, 1)
        rest = offset - place[..., None] * along
        nearest[start : start + count] = np.sqrt((rest**2).sum(axis=2)).min(axis=1)
    return nearest


def fall_smoothly(distance: NDArray) -> NDArray:
    """Return a fall from 1 at 0 to 0 at 1 and beyond, level at both ends (a half wave of a cosine)."""
    return 0.5 + 0.5 * np.cos(np.pi * np.clip(distance, 0, 1))


def feather_mask(mask: NDArray[np.float32], feather_px: float) -> NDArray[np.float32]:
    """Widen a mask's border ``(H, W)`` outwards by a smooth fall over ``feather_px``."""
    inside = mask >= 0.5
    if feather_px <= 0 or not inside.any():
        return mask
    distance = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    soft = fall_smoothly(np.maximum(distance - 0.5, 0) / feather_px).astype(np.float32)
    return np.maximum(mask, np.where(inside, mask, soft))
