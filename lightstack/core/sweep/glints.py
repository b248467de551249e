"""Reflections of the lamp: keep each glossy patch from a single frame.

The lamp's mirror image runs along a bottle or a varnished door while the lamp is carried past. A maximum over
key frames shows it once per key frame: a string of beads. Here each glossy patch is given to the one frame
in which it shines most, and the glint is taken out of the others.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray

__all__ = ["pick_glints"]


def pick_glints(glints: NDArray, brightness: NDArray, *, join_px: int = 2) -> BoolArray:
    """Say which glints to leave out so that every glossy patch shows one.

    ``glints``: ``(n, h, w)`` bool, where each key frame holds a reflection of the lamp. ``brightness``:
    ``(n, h, w)`` luminance of the lamp light. ``join_px``: glints of any frames that come closer than twice
    this lie on the same patch. Returns ``(n, h, w)`` bool, True = treat as blocked. Ties go to the lowest
    index.
    """
    glints = np.asarray(glints, bool)
    side = 2 * join_px + 1
    union = cv2.dilate(np.asarray(glints.any(axis=0), np.uint8), np.ones((side, side), np.uint8))
    count, patches = cv2.connectedComponents(union, connectivity=8)
    light = np.stack([
        np.bincount(patches[g], np.maximum(b[g], 0).astype(np.float64), minlength=count)
        for g, b in zip(glints, brightness, strict=True)
    ])  # fmt: skip
    keeper = light.argmax(axis=0)
    return np.stack([g & (keeper[patches] != k) for k, g in enumerate(glints)])
