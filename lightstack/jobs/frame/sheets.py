"""Small pictures of before and after, for contact sheets and the report."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.jobs.frame.shot_frames import LaidLight, ShotFrame
from lightstack.jobs.patch.patch import PatchLayer
from lightstack.records import LaidFrame, MixCurve

__all__ = ["PairSink", "pick_patch_frames", "pick_sheet_frames", "show_small", "strongest_gain"]

SHEET_FRAMES = 6
SHEET_WIDTH = 960  # pictures in the report and on the contact sheet
PATCH_SHOWN = 3  # frames of each patch in the report


class PairSink:
    """Keeps before and after of some frames, small and display-encoded.

    ``gains``: of each group of pictures by name, what is said of a frame; ``frames``: which frames each shows.
    ``pick``: the two pictures of a frame.
    """

    def __init__(
        self,
        frames: Mapping[str, Collection[int]],
        gains: Mapping[str, Callable[[int], float]],
        *,
        pick: Callable[[ShotFrame], tuple[NDArray[np.float32], NDArray[np.float32]]],
        working: str,
    ) -> None:
        self._frames = {name: set(numbers) for name, numbers in frames.items()}
        self._gains = gains
        self.work = PairWork(pick, working)
        self.laid: dict[str, list[LaidFrame]] = {name: [] for name in frames}

    def wants(self, shot_frame: int) -> bool:
        """Whether any group shows the frame."""
        return any(shot_frame in numbers for numbers in self._frames.values())

    def put(self, shot_frame: int, piece: Any) -> None:
        """Keep a frame's pictures for every group that shows it."""
        for name, numbers in self._frames.items():
            if shot_frame in numbers:
                self.laid[name].append(LaidFrame(shot_frame, self._gains[name](shot_frame), *piece))


@dataclass(frozen=True, slots=True, eq=False)
class PairWork:
    """Makes the two pictures of a frame."""

    pick: Callable[[ShotFrame], tuple[NDArray[np.float32], NDArray[np.float32]]]
    working: str

    def __call__(self, shot: ShotFrame) -> Any:
        """Return them, small."""
        return tuple(show_small(picture, self.working) for picture in self.pick(shot))


def pick_sheet_frames(mixes: Sequence[MixCurve], first: int, last: int, asked: Sequence[int]) -> list[int]:
    """Return the shot frames of the contact sheet: those asked for, else spread over the sum of the mixes.

    Where any light is on, one frame before it, the peak of all together, and frames evenly through it.
    """
    if asked:
        return sorted(dict.fromkeys(asked))
    gains = np.array([sum(mix.gain_at(frame) for mix in mixes) for frame in range(first, last + 1)])
    if not np.any(gains > 0):
        return sorted({round(first + (last - first) * i / (SHEET_FRAMES - 1)) for i in range(SHEET_FRAMES)})
    lit = first + np.flatnonzero(gains > 0)
    peak = first + int(np.argmax(gains))
    picked = {int(lit[round(i * (len(lit) - 1) / (SHEET_FRAMES - 1))]) for i in range(SHEET_FRAMES)}
    return sorted(f for f in picked | {peak, max(first, int(lit[0]) - 1)} if first <= f <= last)


def pick_patch_frames(layer: PatchLayer, first: int, last: int) -> list[int]:
    """Return the frames of a patch to show: begin, middle and end of what is laid, the strongest among them."""
    frames = [frame for frame in layer.maker.frames if first <= frame <= last]
    strongest = max(frames, key=layer.strength_at)
    spread = [frames[round(i * (len(frames) - 1) / (PATCH_SHOWN - 1))] for i in range(PATCH_SHOWN)]
    return sorted({strongest, *spread})[: PATCH_SHOWN + 1]


def strongest_gain(lights: Sequence[LaidLight], shot_frame: int) -> float:
    """Return the largest gain of any light at a frame; 0 without lights."""
    return max((laid.mix.gain_at(shot_frame) for laid in lights), default=0.0)


def show_small(picture: NDArray[np.float32], primaries: str, *, width: int = SHEET_WIDTH) -> NDArray[np.uint8]:
    """Return a picture shrunk to at most ``width`` and display-encoded."""
    if picture.shape[1] > width:
        height = max(1, round(picture.shape[0] * width / picture.shape[1]))
        picture = np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.float32)
    return display_srgb(picture, primaries)
