"""What the check for flashes counted, and what it says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records.measured import BoolArray

__all__ = ["FlashPlace", "FlashReport", "FlashSpan", "FlashTable"]


@dataclass(frozen=True, slots=True)
class FlashTable:
    """Per-frame numbers of a check, ``n`` frames by ``r`` rules.

    ``changes`` (n, r): opposing changes within the second that ends with the frame, as many as every place of more
    than the rule's share of area had. ``areas`` (n, r): share of the rule's area in which places had more of them
    than are allowed. ``seconds`` (n,) from the first frame on.
    """

    rules: tuple[str, ...]
    frames: NDArray[np.int64]
    seconds: NDArray[np.float64]
    changes: NDArray[np.int64]
    areas: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FlashSpan:
    """Frames ``first`` to ``last`` (inclusive) in which a rule is broken; the most changes and area among them."""

    rule: str
    first: int
    last: int
    changes: int
    area: float


@dataclass(frozen=True, slots=True)
class FlashPlace:
    """The frame at which the largest area broke a rule.

    ``picture`` (h, w, 3) uint8 as shown; ``flashing`` (h, w) where places flash. ``window``: left, top, width, height
    of the area that counts, as shares of the picture.
    """

    rule: str
    frame: int
    area: float
    picture: NDArray[np.uint8]
    flashing: BoolArray
    window: tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class FlashReport:
    """A whole check. ``fails``: whether any rule is broken; ``screen``: how the frames were taken to be shown;
    ``remedies``: what would pass, a sentence each; ``frame_word``: what frames are numbered by."""

    fails: bool
    table: FlashTable
    spans: tuple[FlashSpan, ...]
    places: tuple[FlashPlace, ...]
    remedies: tuple[str, ...]
    notes: tuple[str, ...]
    screen: str
    frame_word: str = "frame"
