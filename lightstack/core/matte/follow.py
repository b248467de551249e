"""A parting carried from one frame to the next, along the motion."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import mean_channels
from lightstack.records import FloatArray

__all__ = ["follow", "measure_speed"]

LEAST_FLOW = 32  # pixels: pictures smaller than that are taken to stand still
FLOW_STEPS = 28.0  # codes to an octave


def follow(
    frame: FloatArray, before: FloatArray, part: FloatArray, floor: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Carry the frame before ``(h, w, 3)`` and its parting (h, w) to where their content lies in ``frame``."""
    if min(frame.shape[:2]) < LEAST_FLOW:
        return np.asarray(before, np.float32), np.asarray(part, np.float32)
    now, then = (code_flow(picture, floor) for picture in (frame, before))
    flow = find_flow(now, then)
    rows, columns = np.mgrid[0 : now.shape[0], 0 : now.shape[1]].astype(np.float32)
    moved = [
        cv2.remap(np.asarray(p, np.float32), columns + flow[..., 0], rows + flow[..., 1], cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_REPLICATE)
        for p in (before, part)
    ]  # fmt: skip
    return moved[0], moved[1]


def measure_speed(frame: FloatArray, other: FloatArray, floor: NDArray[np.float32]) -> NDArray[np.float32]:
    """How far the content of each pixel moves from one frame ``(h, w, 3)`` to its neighbour, (h, w) pixels."""
    if min(frame.shape[:2]) < LEAST_FLOW:
        return np.zeros(frame.shape[:2], np.float32)
    flow = find_flow(*(code_flow(picture, floor) for picture in (frame, other)))
    return np.asarray(np.hypot(flow[..., 0], flow[..., 1]), np.float32)


def find_flow(now: NDArray[np.uint8], then: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Where in ``then`` the content of each pixel of ``now`` lies, in pixels from it, ``(h, w, 2)``."""
    return np.asarray(cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST).calc(now, then, None), np.float32)


def code_flow(picture: FloatArray, floor: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Code a picture for optical flow: logs of its lightness as bytes (h, w)."""
    lightness = np.log2(mean_channels(np.maximum(np.asarray(picture, np.float32), 0)) + floor.mean())
    soft = cv2.GaussianBlur(lightness, (0, 0), 1.0)
    return np.clip(255 + FLOW_STEPS * soft, 0, 255).astype(np.uint8)
