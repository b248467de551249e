"""Regions of a mask: seeds, growth, what holds together and what joins the lamp to its carrier."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

STEEP_SHARE = 0.9  # of the outline that may be soft
CUT = 8  # pixels from the border
Mask = NDArray[np.uint8]  # (h, w), 0 or 1


@lru_cache(maxsize=64)
def disc(radius: int) -> Mask:
    """A round structuring element, made once for each radius and not to be written to."""
    side = 2 * radius + 1
    element = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), np.uint8)
    element.flags.writeable = False
    return element


def close_gaps(mask: Mask, radius: int) -> Mask:
    """Close gaps up to twice ``radius`` wide; the picture's edge counts as going on."""
    pad = 2 * radius + 2
    wide = cv2.copyMakeBorder(mask, pad, pad, pad, pad, cv2.BORDER_REPLICATE)
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, disc(radius))
    return np.ascontiguousarray(closed[pad:-pad, pad:-pad])


def keep_large(mask: Mask, area: int) -> Mask:
    """Drop connected parts of fewer than ``area`` pixels."""
    if not mask.any():
        return mask
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    keep = stats[:, cv2.CC_STAT_AREA] >= area
    keep[0] = False
    return keep[labels].astype(np.uint8) if count > 1 else np.zeros_like(mask)


def drop_known(mask: Mask, known: Mask) -> Mask:
    """Drop the parts of which at least half is ``known`` to be the set itself."""
    if not mask.any():
        return mask
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    inside = np.bincount(labels[known > 0], minlength=len(stats))
    keep = 2 * inside < stats[:, cv2.CC_STAT_AREA]
    keep[0] = False
    return keep[labels].astype(np.uint8)


def grow_within(seed: Mask, allowed: Mask, steps: int) -> Mask:
    """Grow a seed by ``steps`` pixels, only where allowed."""
    grown = seed
    for _ in range(steps if seed.any() else 0):
        grown = cv2.dilate(grown, disc(1)) & allowed | seed
    return grown


def fill_holes(mask: Mask, area: int) -> Mask:
    """Fill holes of up to ``area`` pixels."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - mask, connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] <= area
    small[0] = False
    return mask | small[labels].astype(np.uint8) if count > 1 else mask


def keep_steep(mask: Mask, level: NDArray[np.float32], *, ignore: NDArray[np.bool_], ratio: float) -> Mask:
    """Keep the parts whose level falls by ``ratio`` or more across most of their outline.

    ``level``: (h, w), positive. ``ignore``: places outside the parts that say nothing. A lit hand or face
    ends at its outline; the pool of light that a close lamp throws on a wall fades out. Parts with hardly any
    outline are kept.
    """
    count, labels = cv2.connectedComponents(mask)
    inside = cv2.dilate(np.where(mask > 0, level, 0).astype(np.float32), disc(2))
    owner = cv2.dilate(labels.astype(np.float32), disc(2)).astype(np.int32)
    ring = (cv2.dilate(mask, disc(2)) > 0) & (cv2.dilate(mask, disc(1)) == 0) & ~ignore
    keep = np.ones(count, bool)
    keep[0] = False
    for i in range(1, count):
        here = ring & (owner == i)
        if here.sum() >= 8:
            keep[i] = np.quantile(inside[here] / level[here], STEEP_SHARE) >= ratio
    return keep[labels].astype(np.uint8)


def join_lamp(cores: Mask, body: Mask, *, reach: float, area: int) -> Mask:
    """Bridge each lamp core to the nearest large part of the body within ``reach`` pixels.

    Notes: whoever holds the lamp is joined to it by an arm, which may be lit like the wall behind it. The
    bridge is the convex hull of the core and the nearest few pixels of the body.
    """
    bridge = np.zeros_like(body)
    if not cores.any():
        return bridge
    count, labels, stats, centres = cv2.connectedComponentsWithStats(cores)
    if count < 2:
        return bridge
    large = keep_large(body, area)
    ys, xs = np.nonzero(large)
    for i in range(1, count):
        if stats[i, cv2.CC_STAT_AREA] < 3 or len(xs) == 0:
            continue
        radius = max(stats[i, cv2.CC_STAT_WIDTH], stats[i, cv2.CC_STAT_HEIGHT]) / 2
        distance = np.hypot(xs - centres[i][0], ys - centres[i][1])
        outside = distance > radius + 6
        if not outside.any() or distance[outside].min() > reach:
            continue
        near = outside & (distance < distance[outside].min() + 4)
        own = np.argwhere(labels == i)[:, ::-1]
        points = np.vstack([np.stack([xs[near], ys[near]], 1), own]).astype(np.int32)
        cv2.fillConvexPoly(bridge, cv2.convexHull(points), 1)
    return bridge


def join_border(body: Mask, parts: Mask, *, reach: int, area: int) -> Mask:
    """Large ``parts`` within ``reach`` pixels of a body, or of such a part, that the picture's border cuts.

    Notes: whoever is so close to the camera that much of him is lit is cut by the border; lit set seldom is both. A
    frame that was put back in its place may lack a strip along the border.
    """
    count, labels, stats, _ = cv2.connectedComponentsWithStats(parts)
    height, width = parts.shape
    left, top, wide, high, size = stats.T
    ends = np.minimum(np.minimum(left, top), np.minimum(width - left - wide, height - top - high))
    wanted = (ends <= CUT) & (size >= area)
    wanted[0] = False
    joined, taken = np.zeros_like(body), np.zeros(count, bool)
    for _ in range(2):  # a body, then a head over it
        if np.array_equal(taken, wanted):
            break  # nothing is left to be joined
        near = np.bincount(labels[cv2.dilate(body | joined, disc(reach)) > 0], minlength=count) > 0
        if np.array_equal(wanted & near, taken):
            break
        taken = wanted & near
        joined = np.asarray(taken[labels], np.uint8)
    return joined


def find_glints(cores: Mask) -> Mask:
    """Of several saturated cores, those that are reflections of another one rather than the lamp.

    Only where one core is round, at least three times larger and well apart is a core called a reflection; in
    doubt it is the lamp.
    """
    glints = np.zeros_like(cores)
    if not cores.any():
        return glints
    count, labels, stats, centres = cv2.connectedComponentsWithStats(cores)
    if count < 3:
        return glints
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    width, height = stats[1:, cv2.CC_STAT_WIDTH], stats[1:, cv2.CC_STAT_HEIGHT]
    roundness = areas / (0.25 * np.pi * np.maximum(width, height) ** 2)
    main = int(np.argmax(areas))
    if areas[main] < 12 or roundness[main] < 0.6:
        return glints
    reach = 3 * np.sqrt(areas[main] / np.pi)
    for i in range(count - 1):
        apart = float(np.hypot(*(centres[i + 1] - centres[main + 1])))
        if areas[i] * 3 <= areas[main] and apart > reach + np.sqrt(areas[i]):
            glints[labels == i + 1] = 1
    return glints
