"""Frames that are reduced together: in memory, or once on disk where they do not fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.files.folder import explain_os_error
from lightstack.files.kept.stack import reserve_space

__all__ = ["FrameStore", "frames_bytes"]

_LARGEST = 65504.0  # IEEE 754 binary16


def frames_bytes(count: int, size: tuple[int, int], kind: np.dtype) -> int:
    """Return how many bytes ``count`` frames of three channels take."""
    return count * size[0] * size[1] * 3 * kind.itemsize


class FrameStore:
    """``frames`` (n, H, W, 3): half floats or 32-bit floats of light, or codes; written one after the other.

    ``path``: the file that holds them (removed on `close`), or None for memory.
    """

    def __init__(self, count: int, size: tuple[int, int], kind: np.dtype, path: Path | None = None) -> None:
        self.path = path
        shape = (count, *size, 3)
        self.frames: NDArray
        if path is None:
            self.frames = np.empty(shape, kind)
            return
        path.unlink(missing_ok=True)
        with explain_os_error(path):
            try:  # the room is asked for now: a mapped file that finds none later ends the whole program
                reserve_space(path, frames_bytes(count, size, kind))
            except OSError:
                path.unlink(missing_ok=True)
                raise
            self.frames = np.memmap(path, kind, "r+", shape=shape)

    def __len__(self) -> int:
        return len(self.frames)

    def write(self, index: int, picture: NDArray, unseen: NDArray[np.bool_] | None = None) -> None:
        """Write one frame (H, W, 3); where ``unseen`` (H, W) it is stored as not seen (light only)."""
        if self.frames.dtype == np.float16:
            picture = np.clip(picture, -_LARGEST, _LARGEST)
        self.frames[index] = picture
        if unseen is not None and unseen.any():
            self.frames[index][unseen] = np.nan

    def close(self) -> None:
        """Let go of the frames and of the file that held them."""
        self.frames = np.empty((0, 1, 1, 3), self.frames.dtype)
        if self.path is not None:
            self.path.unlink(missing_ok=True)
