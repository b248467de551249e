"""A picture carried on into places that nothing is known of."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray

__all__ = ["carry_nearest", "find_nearest"]


def find_nearest(known: BoolArray) -> NDArray[np.int32]:
    """Return for every pixel of a mask ``(h, w)`` the flat index of the nearest one that is known (itself if it is).

    Notes: where nothing is known at all every pixel stands for itself.
    """
    own = np.arange(known.size, dtype=np.int32).reshape(known.shape)
    if known.all() or not known.any():
        return own
    kind = {"distanceType": cv2.DIST_L2, "maskSize": 5, "labelType": cv2.DIST_LABEL_PIXEL}
    _, labels = cv2.distanceTransformWithLabels((~known).astype(np.uint8), **kind)
    places = np.zeros(int(labels.max()) + 1, np.int32)
    places[labels[known]] = own[known]
    return np.asarray(places[labels], np.int32)


def carry_nearest(picture: NDArray[np.float32], known: BoolArray) -> NDArray[np.float32]:
    """Return a picture ``(h, w)`` or ``(h, w, c)`` in which what is not ``known`` shows the nearest that is."""
    if known.all():
        return picture
    flat = picture.reshape(known.size, -1)
    return np.asarray(flat[find_nearest(known).ravel()].reshape(picture.shape))
