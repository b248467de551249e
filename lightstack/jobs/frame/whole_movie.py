"""What sinks that write a movie have in common: every frame of the pass, into a file that is open for as long."""

from __future__ import annotations

from contextlib import AbstractContextManager
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from lightstack.jobs.frame.shot_frames import ShotFrame

__all__ = ["WholeMovie", "find_mask"]


class WholeMovie:
    """A sink of every frame; a context manager, as ``file`` is."""

    def __init__(self, file: AbstractContextManager) -> None:
        self._file = file

    def __enter__(self) -> Self:
        self._file.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.__exit__(kind, error, trace)

    def wants(self, shot_frame: int) -> bool:
        """Every frame."""
        return True


def find_mask(shot: ShotFrame) -> NDArray[np.bool_]:
    """Return where a frame is not the hero's own, (H, W)."""
    return np.zeros(shot.before.shape[:2], bool) if shot.changed is None else shot.changed
