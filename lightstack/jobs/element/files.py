"""A pulled thing as the frames of its shot use it: read from its files, and held where it came to rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.prop.lay import ThingPicture, count_rest, mean_thing
from lightstack.files.shot.schema import Element
from lightstack.files.write.plates import read_exr

__all__ = ["PulledFiles", "ThingFiles", "find_files", "warn_place"]

REST_FRAMES = 16  # most frames whose mean is held


@dataclass(frozen=True, slots=True, eq=False)
class PulledFiles:
    """What was written of a thing.

    ``numbers`` (n,) ascending shot frames; ``centres`` (n, 2) and ``areas`` (n,) in pixels of the origin, NaN where
    unknown; ``names`` and ``shadows`` of the files, the latter empty where no shadow was written.
    """

    numbers: tuple[int, ...]
    centres: NDArray[np.float64]
    areas: NDArray[np.float64]
    names: tuple[str, ...]
    shadows: tuple[str, ...]

    @property
    def rest(self) -> int:
        """On how many of its last frames, which follow each other, it lies still."""
        run = 1
        while run < len(self.numbers) and self.numbers[-run - 1] == self.numbers[-run] - 1:
            run += 1
        run = min(run, REST_FRAMES)
        return count_rest(self.centres[-run:], self.areas[-run:])


class ThingFiles:
    """A thing laid from its files; safe to ask from several threads.

    ``folder`` holds the files of ``pulled``. ``stays``: where it came to rest it stays on the frames that follow.
    """

    def __init__(
        self, folder: Path, pulled: PulledFiles, *, behind: bool = False, follow_mix: float = 1.0, stays: bool = True
    ) -> None:
        self._folder, self._pulled = folder, pulled
        self.behind, self.follow_mix = behind, follow_mix
        self._index = {number: k for k, number in enumerate(pulled.numbers)}
        self._rest = pulled.rest if stays else 0
        self._held: ThingPicture | None = None

    def picture_at(self, shot_frame: int) -> ThingPicture | None:
        """Return the thing on a shot frame, in the origin's place; None where it is not there."""
        index = self._index.get(shot_frame)
        if index is not None:
            return self._read(index)
        if self._rest == 0 or shot_frame < self._pulled.numbers[-1]:
            return None
        held = self._held  # one look: frames are made by several threads
        if held is None:
            count = len(self._pulled.numbers)
            held = self._held = mean_thing([self._read(k) for k in range(count - self._rest, count)])
        return held

    def _read(self, index: int) -> ThingPicture:
        channels = read_exr(self._folder / self._pulled.names[index])
        own, alpha = join_channels(channels), np.asarray(channels["A"], np.float32)
        if not self._pulled.shadows:
            return ThingPicture(alpha, own)
        return ThingPicture(alpha, own, join_channels(read_exr(self._folder / self._pulled.shadows[index])))


def join_channels(channels: dict[str, NDArray]) -> NDArray[np.float32]:
    """Return the colours of a file as one picture, (H, W, 3)."""
    return np.stack([channels[c] for c in "RGB"], axis=-1).astype(np.float32)


def find_files(
    numbers: Sequence[int],
    centres: Sequence[Sequence[float | None]],
    areas: Sequence[float],
    stems: tuple[str, str | None],
) -> PulledFiles:
    """Return the files of a thing by its ``stems``: of itself, and of its shadow where that was written."""
    names, shadows = (
        () if stem is None else tuple(f"{stem}.{number:04d}.exr" for number in numbers) for stem in stems
    )
    return PulledFiles(
        tuple(numbers), np.array(centres, np.float64).reshape(-1, 2), np.array(areas, np.float64), names, shadows
    )


def warn_place(
    element: Element, pulled: PulledFiles, shot: tuple[int, int], size: tuple[int, int], *, held: bool
) -> list[str]:
    """Return a line for everything about a thing's place in the shot that a person should know.

    ``shot``: its first and last frame. ``size`` (H, W) of the picture. ``held``: whether the shot has a hold-out.
    """
    lines = []
    first, last = pulled.numbers[0], pulled.numbers[-1]
    if first < shot[0]:
        lines.append(
            f"{element.name}: is let go on frame {first}, before the shot's first, {shot[0]}; it is there at once"
        )
    if element.behind and not held:
        lines.append(
            f"{element.name}: is laid before everything; a hold-out would tell what it is behind, and there is none"
        )
    stays = element.after == "stay" and pulled.rest > 0
    if last < shot[1] and not stays and is_inside(pulled, size):
        why = "still moves" if element.after == "stay" else "is in the picture"
        lines.append(f"{element.name}: {why} on its last frame, {last}, and is gone on the next")
    return lines


def is_inside(pulled: PulledFiles, size: tuple[int, int]) -> bool:
    """Tell whether a thing is last seen well inside the picture, so that it did not leave by itself."""
    x, y = pulled.centres[-1]
    reach = np.sqrt(max(float(np.nanmedian(pulled.areas)), 1.0))
    return bool(min(x, y, size[1] - x, size[0] - y) > reach)
