"""A picture carried on into places that nothing is known of."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import carry_on
from lightstack.records import BoolArray

__all__ = ["carry_nearest", "carry_soft", "find_nearest"]


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


def carry_soft(
    picture: NDArray[np.float32], mass: NDArray[np.float32], *, sigmas: Sequence[float], reach: float = 1.0
) -> NDArray[np.float32]:
    """Carry a picture ``(h, w, c)`` on softly from where ``mass`` (h, w) lies, over ``reach`` times ``sigmas`` pixels.

    Notes: done at 1 / ``reach`` of the size, where wide blurs cost next to nothing; what is carried is smooth anyway.
    """
    total, step = picture * mass[..., None], max(1, int(reach))
    size = mass.shape[::-1]
    if step > 1:
        small = (-(-size[0] // step), -(-size[1] // step))
        total = np.asarray(cv2.resize(total, small, interpolation=cv2.INTER_AREA), np.float32)
        mass = np.asarray(cv2.resize(mass, small, interpolation=cv2.INTER_AREA), np.float32)
    carried = carry_on(total, mass, sigmas=[reach / step * sigma for sigma in sigmas])
    return np.asarray(cv2.resize(carried, size, interpolation=cv2.INTER_LINEAR) if step > 1 else carried, np.float32)
