"""A few pieces of a take's luma, as coded, at full size: what compression does shows nowhere else."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sampling import space_evenly
from lightstack.records import CodedFrame, TakeInfo

PAIRS = 4  # of frames that follow each other
SIDE = 768  # px of the piece from the picture's middle
GRID = 64  # px: pieces begin on the largest coding block's grid


@dataclass(slots=True)
class LumaSamples:
    """Keeps the middle of some frames while a take passes by. ``wanted``: source frames; ``planes``: by frame.

    ``origin`` (y, x) and ``size`` (h, w) of the piece in the coded picture.
    """

    wanted: set[int]
    planes: dict[int, NDArray] = field(default_factory=dict)
    origin: tuple[int, int] = (0, 0)

    @classmethod
    def plan(cls, info: TakeInfo, pairs: int = PAIRS) -> LumaSamples:
        """Plan ``pairs`` of frames that follow each other, evenly spaced over the take."""
        starts = space_evenly(info.first_frame, max(info.first_frame, info.last_frame - 1), pairs)
        return cls({frame for start in starts for frame in (start, start + 1)})

    def expect(self, numbers: tuple[int, ...]) -> None:
        """Keep frames out of ``numbers`` that follow each other, in place of those planned."""
        known = set(numbers)
        starts = [number for number in numbers if number + 1 in known]
        starts = [starts[k] for k in space_evenly(0, len(starts) - 1, PAIRS)] if starts else []
        self.wanted = {frame for start in starts for frame in (start, start + 1)}

    def watch(self, frame: CodedFrame) -> None:
        """Keep a copy of a wanted frame's piece."""
        if frame.number not in self.wanted or not frame.planes:
            return
        plane = frame.planes[0]
        plane = plane[..., 1] if plane.ndim == 3 else plane  # green stands for luma
        self.origin = tuple(max(0, (side - SIDE) // 2) // GRID * GRID for side in plane.shape[:2])  # type: ignore
        y, x = self.origin
        self.planes[frame.number] = np.array(plane[y : y + SIDE, x : x + SIDE])

    def join(self, other: LumaSamples) -> None:
        """Keep what was kept of other frames of the same take."""
        if other.planes:
            self.origin = other.origin
            self.planes |= other.planes

    def pairs(self) -> list[tuple[NDArray, NDArray]]:
        """Return pairs of pieces of frames that follow each other."""
        return [(self.planes[n], self.planes[n + 1]) for n in sorted(self.planes) if n + 1 in self.planes]
