"""A tossed thing laid in a frame of the hero: its shadow on the set, then the thing, before or behind a figure.

Of every pixel of the hero a share belongs to the figure and the rest to the set. The thing's shadow was measured on the
set, so it dims the set's share only; what stands behind the figure is seen as far as the figure does not cover it.

References
----------
Porter & Duff, Compositing digital images, SIGGRAPH 1984: over.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.prop.alpha import own_trust
from lightstack.core.warp import is_identity, warp_picture
from lightstack.records import FloatArray

__all__ = [
    "ThingPicture",
    "count_rest",
    "grain_left",
    "join_covers",
    "lay_thing",
    "mean_thing",
    "move_thing",
    "where_laid",
]

FAINT = 0.004  # of coverage, and of a shadow's depth: what a resampled picture holds beyond its edge
SHORTEST_REST = 3
REST_WAY, REST_AREA = 0.08, 0.2  # of its size: how far middle and area of a pulled thing waver while it lies still


@dataclass(frozen=True, slots=True, eq=False)
class ThingPicture:
    """A thing on one frame: ``alpha`` (H, W) 0..1, ``own`` (H, W, 3) its light times alpha, ``shade`` (H, W, 3) by
    which the set is multiplied, None without a shadow. ``frames``: of how many it is the mean."""

    alpha: FloatArray
    own: FloatArray
    shade: FloatArray | None = None
    frames: int = 1


def move_thing(thing: ThingPicture, pose: NDArray[np.float64]) -> ThingPicture:
    """Return a thing of the origin's place where a frame of that pose shows it; beyond the border there is nothing."""
    if is_identity(pose):
        return thing
    back = np.asarray(np.linalg.inv(pose), np.float64)
    moved, known = warp_picture(thing.alpha, back)
    alpha = np.where(known & (moved > FAINT), np.minimum(moved, 1), 0).astype(np.float32)
    own = np.where(alpha[..., None] > 0, np.maximum(warp_picture(thing.own, back)[0], 0), 0).astype(np.float32)
    shade = None
    if thing.shade is not None:
        moved = np.clip(warp_picture(thing.shade, back)[0], 0, 1)
        shade = np.where(known[..., None] & (moved < 1 - FAINT), moved, 1).astype(np.float32)
    return ThingPicture(alpha, own, shade, thing.frames)


def mean_thing(things: list[ThingPicture]) -> ThingPicture:
    """Return the mean of a thing that lies still on several frames."""
    alpha, own = (sum_up([getattr(one, name) for one in things]) / len(things) for name in ("alpha", "own"))
    shades = [one.shade for one in things if one.shade is not None]
    return ThingPicture(alpha, own, sum_up(shades) / len(shades) if shades else None, len(things))


def sum_up(pictures: list[FloatArray]) -> NDArray[np.float32]:
    """Add up pictures of one shape."""
    total = np.zeros(pictures[0].shape, np.float32)
    for one in pictures:
        total += one
    return total


def count_rest(centres: NDArray[np.float64], areas: NDArray[np.float64]) -> int:
    """Return on how many of its last frames a thing lies still; 0 where it still moves.

    ``centres`` (n, 2) pixels and ``areas`` (n,) of consecutive frames.
    """
    apart = np.hypot(*(centres - centres[-1]).T)
    still = (apart < REST_WAY * np.sqrt(areas[-1])) & (np.abs(areas - areas[-1]) < REST_AREA * areas[-1])
    count = int(np.argmin(still[::-1])) if not still.all() else len(still)
    return count if count >= SHORTEST_REST else 0


def where_laid(thing: ThingPicture) -> NDArray[np.bool_]:
    """Return where a thing or its shadow changes the picture, (H, W)."""
    changed = np.asarray(thing.alpha > 0)
    return changed if thing.shade is None else changed | (thing.shade != 1).any(axis=2)


def lay_thing(
    picture: FloatArray,
    thing: ThingPicture,
    *,
    kept: FloatArray | None = None,
    figure: FloatArray | None = None,
    behind: bool = False,
) -> FloatArray:
    """Return a picture (H, W, 3) with a thing laid in it; bit-exact where neither it nor its shadow is.

    ``kept`` (H, W): how much of every pixel is a figure's, ``figure`` (H, W, 3) its colour times that; None: nobody's.
    ``behind``: the thing is behind the figure, else before it.
    """
    cover = 1 - np.asarray(thing.alpha, np.float32)[..., None]
    front = 0 if figure is None else figure
    set_left = picture - front
    if thing.shade is not None:
        set_left = set_left * thing.shade
    if behind and kept is not None:
        laid = front + set_left * cover + thing.own * (1 - kept[..., None])
    else:
        laid = (front + set_left) * cover + thing.own
    return np.where(where_laid(thing)[..., None], laid, picture).astype(np.float32)


def grain_left(thing: ThingPicture, before: FloatArray | float = 1.0) -> NDArray[np.float32]:
    """Return how much of a frame's grain is there once a thing is laid, (H, W) 0..1 of its standard deviation.

    ``before``: how much was there without it, (H, W) or one number.

    Notes: the thing brings a take's own grain, less where thin edges lean on its smooth colour and where it is a mean;
    of the hero's, what shows past it is left. A shadow dims grain more than a camera would: its variance goes with the
    level (shot noise).
    """
    level = 1 if thing.shade is None else thing.shade.mean(axis=2)
    brought = own_trust(thing.alpha) ** 2 / thing.frames
    return np.sqrt(np.minimum(brought + (1 - thing.alpha) ** 2 * level * before**2, 1)).astype(np.float32)


def join_covers(one: FloatArray | None, other: FloatArray | None) -> FloatArray | None:
    """Return what two covers (H, W) hide together; None where there is neither."""
    if one is None or other is None:
        return other if one is None else one
    return np.asarray(1 - (1 - one) * (1 - other), np.float32)
