"""The bare set, and who stands before it: what is kept between two builds, and what the report shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records.measured import BoolArray

__all__ = ["BuiltHoldout", "BuiltSet", "HeldFrame", "HoldoutReport", "PulledMatte"]


@dataclass(frozen=True, slots=True)
class BuiltSet:
    """A still picture of the set in the origin's place, at full size.

    ``file``: its EXR, within the folder for results. ``inside`` (H, W) where it is known; elsewhere the nearest that
    is known goes on. ``name``: of the take or sweep. ``role``: "empty_lit", "empty", "clean", "plate" (the clean
    plate) or "sweep". ``frames``: how many were averaged, 0 not counted.
    """

    file: str
    inside: BoolArray
    name: str
    role: str
    frames: int
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PulledMatte:
    """A shot's matte as it was pulled, frame by frame in ``file``, before hands help.

    ``source_frames`` (n,); ``places`` (n + 1,) where each frame's record begins; ``areas`` and ``doubts``
    (n,) shares of the picture; ``factor`` of the doubt and gain pictures; ``standing`` (h, w) 0..1 in what share of the
    frames each place counts as figure; ``ghosts``: places, in words, where the set's picture shows what the hero never
    does.
    """

    file: str
    source_frames: NDArray[np.int64]
    places: NDArray[np.int64]
    areas: NDArray[np.float64]
    doubts: NDArray[np.float64]
    factor: int
    standing: NDArray[np.float32]
    ghosts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HeldFrame:
    """A frame's hold-out as pictures, display-encoded uint8 (h, w, 3): the figure over grey, its outline, the doubt."""

    shot_frame: int
    doubt: float  # share of the picture
    over_grey: NDArray[np.uint8]
    outline: NDArray[np.uint8]
    doubtful: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class HoldoutReport:
    """The hold-out's section of the report: ``numbers`` (label, value with unit); ``hand_work``: frames that most need
    hands, the worst first."""

    numbers: tuple[tuple[str, str], ...]
    frames: tuple[HeldFrame, ...]
    hand_work: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class BuiltHoldout:
    """What is kept of what a hold-out shows, hand work included."""

    report: HoldoutReport
    files: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]
