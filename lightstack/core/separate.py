"""A frame minus the ambient is this frame's lamp light."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["combine_validity", "separate_light", "soften_inward"]


def separate_light(
    frame: NDArray[np.float32],
    ambient: NDArray[np.float32],
    *,
    drift: Sequence[float] | NDArray | None = None,
) -> NDArray[np.float32]:
    """Give the lamp light of one registered frame.

    ``frame``: ``(H, W, 3)`` float32 linear, registered. ``ambient``: the same shape, linear. ``drift``:
    ``(3,)`` gain of this frame's exposure and white against the ambient's (1 = none), divided out first.
    Returns ``(H, W, 3)`` float32; values below zero (noise, and whatever covers the set) are kept.

    Raises ValueError for shapes that differ or a drift gain that is not above 0.
    """
    if frame.shape != ambient.shape:
        raise ValueError(f"the frame is {frame.shape}, the ambient {ambient.shape}")
    if drift is None:
        return np.subtract(frame, ambient, dtype=np.float32)
    gain = np.asarray(drift, np.float32)
    if not (gain > 0).all():
        raise ValueError(f"a drift gain must be above 0, not {gain.tolist()}")
    light = np.multiply(frame, 1 / gain, dtype=np.float32)
    return np.subtract(light, ambient, out=light)


def soften_inward(mask: NDArray, *, radius: int = 1) -> NDArray[np.float32]:
    """Turn a mask into 0..1 with a ramp that lies wholly inside it.

    ``mask``: ``(H, W)`` bool, True = usable. Returns float32: exactly 0 wherever ``mask`` is False, 1 at
    ``radius`` px and more inside a straight border. The picture's own edge counts as usable.
    """
    usable = np.ascontiguousarray(mask, np.uint8)
    if radius <= 0 or usable.all():
        return usable.astype(np.float32)
    side = 2 * radius + 1
    share = cv2.blur(usable.astype(np.float32), (side, side), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(np.clip(share, 0, 1), np.float32) * usable


def combine_validity(
    unblocked: NDArray,
    inside: NDArray | None = None,
    clipped: NDArray | None = None,
    *,
    clipped_weight: float = 1.0,
    radius: int = 0,
) -> NDArray[np.float32]:
    """Say how far each pixel of a lamp still may be believed.

    ``unblocked``: ``(H, W)`` 0..1, 0 where the lamp or its carrier covers the set; its own soft border is
    kept. ``inside``: ``(H, W)`` bool, False where registration looked past the
    frame. ``clipped``: ``(H, W)`` bool, any channel at the ceiling. Returns ``(H, W)`` float32 0..1.

    ``radius``: px of ramp that the masks get, none by default: the light beside the lamp is the strongest of
    all, and a ramp there darkens the plate.

    Notes: a clipped reading is the least that the light can have been, so an accumulation by maximum is
    best served by believing it (``clipped_weight`` 1, the default); a rule that adds may want less.
    """
    is_mask = unblocked.dtype == bool
    valid = soften_inward(unblocked, radius=radius) if is_mask else unblocked.astype(np.float32)
    if inside is not None:
        valid = valid * soften_inward(inside, radius=radius)
    if clipped is not None and clipped_weight != 1.0:
        valid = np.where(clipped, valid * np.float32(clipped_weight), valid)
    return np.asarray(np.clip(valid, 0, 1), np.float32)
