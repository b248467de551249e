"""What is drawn or painted over frames of the hero, brought to where any other frame shows it.

The hero is never resampled; where it was bumped, shapes and painted masks move with it.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.shapes import move_corners, touches_picture
from lightstack.core.warp import warp_picture
from lightstack.errors import SettingError
from lightstack.files.shot.schema import PatchShape

__all__ = ["IDENTITY", "PoseAt", "ShapeTrack", "check_touching", "move_mask", "place_shape", "shrink_mask"]

IDENTITY = np.eye(3)

PoseAt = Callable[[int], NDArray[np.float64]]
ShapeTrack = tuple[list[int], list[NDArray[np.float64]]]  # frames, and the corners there in the origin's place


def place_shape(shape: PatchShape, pose_at: PoseAt) -> ShapeTrack:
    """Return the frames of a shape and its corners there, put back to the origin's place."""
    if shape.polygon is not None:
        return [0], [np.asarray(shape.polygon, np.float64)]
    drawn = sorted(shape.drawn, key=lambda drawing: drawing.frame)
    corners = [
        move_corners(np.asarray(d.polygon, np.float64), np.asarray(np.linalg.inv(pose_at(d.frame)), np.float64))
        for d in drawn
    ]
    return [drawing.frame for drawing in drawn], corners


def check_touching(what: str, outlines: list[NDArray[np.float64]], size: tuple[int, int]) -> None:
    """Refuse a shape none of whose outlines lies within a ``(H, W)`` picture. Raises SettingError."""
    if not any(touches_picture(corners, size) for corners in outlines):
        raise SettingError(
            f"{what} lies wholly outside of the picture, which is {size[1]} x {size[0]} pixels, or has no area; draw "
            "it over a full-size frame of the hero"
        )


def move_mask(
    mask: NDArray[np.float32], lies: NDArray[np.float64], wanted: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Move a mask (H, W) from where a frame of the pose ``lies`` shows it to where one of the pose ``wanted`` does."""
    if np.array_equal(lies, wanted):
        return mask
    return warp_picture(mask, lies @ np.linalg.inv(wanted), interpolation="linear")[0]


def shrink_mask(mask: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Average a mask (H, W) down to (H // factor, W // factor)."""
    if factor == 1:
        return mask
    height, width = (side // factor for side in mask.shape)
    cut = mask[: height * factor, : width * factor]
    return np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), np.float32)
