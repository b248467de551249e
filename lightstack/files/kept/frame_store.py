"""Frames that are reduced together: in memory, or once on disk where they do not fit."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.files.folder import explain_os_error
from lightstack.files.kept.stack import reserve_space

__all__ = ["FrameStore", "frames_bytes", "open_frames", "put_frame"]

_LARGEST = 65504.0  # IEEE 754 binary16


def frames_bytes(count: int, size: tuple[int, int], kind: np.dtype) -> int:
    """Return how many bytes ``count`` frames of three channels take."""
    return count * size[0] * size[1] * 3 * kind.itemsize


def open_frames(path: Path, shape: tuple[int, ...], kind: np.dtype) -> NDArray:
    """Map the frames of a store that somebody else filled, for reading."""
    return np.memmap(path, kind, "r", shape=shape)


def put_frame(path: Path, index: int, frame: NDArray) -> None:
    """Write one frame into the file of a store for good, and nothing beside it: others write there too."""
    with explain_os_error(path), path.open("rb+", buffering=0) as stream:
        stream.seek(index * frame.nbytes)
        rest = np.ascontiguousarray(frame).data.cast("B")
        while rest:
            rest = rest[stream.write(rest) or 0 :]
        os.fsync(stream.fileno())


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

    def open(self) -> None:
        """Map the file anew, so that what other machines wrote into it is seen."""
        if self.path is not None:
            self.frames = open_frames(self.path, self.frames.shape, self.frames.dtype)

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
