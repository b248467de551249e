"""Every sweep frame's registered lamp light at a small size, kept in the scratch folder."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.blockers import CLOSED
from lightstack.core.warp import warp_picture
from lightstack.records import Progress, ProxyTake, Registration

SMALL_LONG_SIDE = 400  # blockers and choice need shapes, not detail


def is_blocked(flags: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Tell where blocker flags say that the set must be kept out of a plate."""
    return (flags & np.uint8(CLOSED)) > 0


def shrink_by(proxies: ProxyTake) -> int:
    """Return by how much survey pictures are averaged once more."""
    return max(1, round(max(proxies.rgb.shape[1:3]) / SMALL_LONG_SIDE))


def shrink_mean(picture: NDArray, by: int) -> NDArray[np.float32]:
    """Box-average a picture (h, w[, C]) by a whole factor, dropping what does not fill a box."""
    if by == 1:
        return np.asarray(picture, np.float32)
    h, w = picture.shape[0] // by, picture.shape[1] // by
    cut = np.ascontiguousarray(picture[: h * by, : w * by], np.float32)
    return np.asarray(cv2.resize(cut, (w, h), interpolation=cv2.INTER_AREA), np.float32)


def shrink_any(bits: NDArray[np.uint8], by: int) -> NDArray[np.uint8]:
    """Join bit flags (h, w) over boxes of ``by`` x ``by``."""
    h, w = bits.shape[0] // by, bits.shape[1] // by
    boxes = bits[: h * by, : w * by].reshape(h, by, w, by)
    return np.bitwise_or.reduce(np.bitwise_or.reduce(boxes, axis=3), axis=1)


def keep_lamp_light(
    proxies: ProxyTake,
    ambient: NDArray[np.float32],
    registration: Registration,
    *,
    drift_gain: NDArray[np.float64] | None,
    folder: Path,
    progress: Progress,
) -> tuple[NDArray[np.float16], NDArray[np.uint8]]:
    """Write frame minus ambient for every frame, registered and shrunk, and the clipping flags beside it.

    Parameters
    ----------
    ambient : (h, w, 3) at survey size, registered.
    drift_gain : (n, 3) exposure and white of each frame against the ambient, divided out; None = not held.

    Returns
    -------
    Memory-mapped light (n, h', w', 3) float16, NaN outside the picture, and flags (n, h', w') uint8.
    """
    by = shrink_by(proxies)
    light_path, flags_path = folder / f"{proxies.name}.light", folder / f"{proxies.name}.flags"
    count = len(proxies)
    small = shrink_mean(ambient, by)
    shape = (count, *small.shape)
    with (
        light_path.open("wb") as light_file,
        flags_path.open("wb") as flags_file,
        progress.step(f"lamp light of {proxies.name}", count) as step,
    ):
        for k in range(count):
            picture = np.asarray(proxies.rgb[k], np.float32)
            flags = shrink_any(proxies.clipped[k], by)
            matrix = registration.stretch_at(int(proxies.source_frames[k])).matrix
            picture, inside = warp_picture(picture, matrix, factor=proxies.factor, interpolation="linear")
            picture = np.where(inside[..., None], picture, np.float32(np.nan))
            if drift_gain is not None:
                picture = picture / drift_gain[k].astype(np.float32)
            light_file.write((shrink_mean(picture, by) - small).astype(np.float16).data)
            flags_file.write(np.ascontiguousarray(flags).data)
            step.advance()
    return (
        np.memmap(light_path, np.float16, "r", shape=shape),
        np.memmap(flags_path, np.uint8, "r", shape=shape[:3]),
    )
