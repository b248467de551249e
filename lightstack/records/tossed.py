"""A thing tossed through the shot in passes of its own: what was found in each try."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TossedTry"]


@dataclass(frozen=True, slots=True, eq=False)
class TossedTry:
    """One try after it was looked at. Arrays run over ``source_frames`` (n,).

    ``centres`` (n, 2) x and y of the thing in full-size pixels of the origin, NaN where it is not seen alone;
    ``speeds`` (n,) pixels a frame; ``widths`` (n,) of its edges in full-size pixels; ``areas`` (n,) full-size pixels;
    ``hand`` (n,) whether a hand is in shot. ``held``: whether one held it; ``first``, ``last``: source frames on which
    it is seen alone. ``trouble``: why the try cannot be used, or "".
    """

    name: str
    source_frames: NDArray[np.int64]
    centres: NDArray[np.float64]
    speeds: NDArray[np.float64]
    widths: NDArray[np.float64]
    areas: NDArray[np.float64]
    hand: NDArray[np.bool_]
    held: bool
    first: int
    last: int
    trouble: str = ""

    @property
    def free_frames(self) -> int:
        """On how many frames the thing is seen and no hand is."""
        return int((np.isfinite(self.centres[:, 0]) & ~self.hand).sum())

    @property
    def width_px(self) -> float:
        """Median width of the edges in full-size pixels; NaN where nothing was seen."""
        known = self.widths[np.isfinite(self.widths)]
        return float(np.median(known)) if known.size else float("nan")
