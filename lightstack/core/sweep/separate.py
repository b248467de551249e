"""How far each pixel of a lamp still may be believed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["combine_validity", "soften_inward"]


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
