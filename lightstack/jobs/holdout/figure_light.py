"""The lamp's light on whoever stands in the hero, frame by frame; and where hands say that it may fall."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import luminance_weights
from lightstack.core.matte.figure_light import light_figure, measure_levels, range_share
from lightstack.errors import SettingError
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.masks import MaskPictures, find_masks, read_mask
from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.jobs.frame.shot_frames import FigureLight, FigureShare, Held
from lightstack.jobs.patch.placed_masks import IDENTITY, PoseAt, move_mask
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.named_files import list_figure_files
from lightstack.records import FloatArray, NoiseModel

__all__ = [
    "FigureRelight",
    "FigureWhere",
    "FoundFigureLight",
    "check_figure_light",
    "find_figure_light",
    "list_figure_files",
]

NAMED_GAPS = 6
WAY = 2  # raised when the light on a figure changes


@dataclass(frozen=True, slots=True)
class FoundFigureLight:
    """A shot's light on figures: ``shares`` by light where it may fall in part only; ``inputs``: what frames depend on
    by it, beside the matte."""

    light: FigureLight | None = None
    shares: dict[str, FigureShare] = field(default_factory=dict)
    inputs: Any = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FigureRelight:
    """Light on the figure of a hold-out matte. ``noise``: of one pixel of the hero; ``primaries``: of the light."""

    held: Held
    noise: NoiseModel
    primaries: str

    def __call__(
        self, hero: FloatArray, plate: FloatArray, held: FloatArray, shot_frame: int, pose: NDArray[np.float64]
    ) -> FloatArray:
        """Return what a plate throws on the figure at full mix, (H, W, 3).

        ``held``: the matte, less what patches removed of the figure; he keeps his colour there, and loses the light.
        """
        del pose  # plate and hero stand in the frame's place already
        if not held.any():
            return np.zeros_like(hero)
        whole = self.held.alpha_at(shot_frame)
        figure = self.held.figure_at(shot_frame, hero)
        left = np.asarray(held / np.maximum(whole, 1e-4), np.float32)[..., None]
        weights = luminance_weights(self.primaries)
        return light_figure(figure * left, held, measure_levels(plate, hero, whole), noise=self.noise, weights=weights)


class FigureWhere:
    """Where the light of one `[[light]]` may fall on a figure: within a range of luminance, under a painted mask."""

    def __init__(
        self,
        primaries: str,
        *,
        limits: tuple[float, float] | None,
        pictures: MaskPictures | None,
        size: tuple[int, int],
        pose_at: PoseAt,
    ) -> None:
        self._primaries, self._limits, self._pictures = primaries, limits, pictures
        self._size, self._pose_at = size, pose_at
        self._kept: tuple[Path, NDArray[np.float32]] | None = None

    def __call__(self, hero: FloatArray, shot_frame: int, pose: NDArray[np.float64]) -> FloatArray:
        """Return the share of the light over a frame as filmed, (H, W) 0 to 1.

        One mask for all frames lies as the reference frame does, one of a sequence as the frame of its number.
        """
        share = np.ones(self._size, np.float32)
        if self._limits is not None:
            share = range_share(hero, *self._limits, weights=luminance_weights(self._primaries))
        if self._pictures is None:
            return share
        number, path = self._pictures.nearest(shot_frame)
        known = self._kept  # one look: frames are made by several threads
        if known is None or known[0] != path:
            known = self._kept = (path, read_mask(path, self._size))
        lies = IDENTITY if number is None else self._pose_at(number)
        return share * np.clip(move_mask(known[1], lies, pose), 0, 1)


def make_share(
    light: Light, settings: ShotSettings, *, primaries: str, size: tuple[int, int], pose_at: PoseAt
) -> FigureShare | None:
    """Return where a light may fall on the figure; None where it may everywhere. Raises MissingInput for its mask."""
    if light.figure_range is None and light.figure_mask is None:
        return None
    pictures = None if light.figure_mask is None else find_masks(settings.locate(light.figure_mask))
    return FigureWhere(primaries, limits=light.figure_range, pictures=pictures, size=size, pose_at=pose_at)


def check_figure_light(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse masks of the figure's light that cannot be used before anything long begins.

    Raises
    ------
    SettingError, MissingInput, UnreadableInput, MismatchedInput
        One line naming the light or the file.
    """
    for light in settings.light:
        if light.figure_mask is None:
            continue
        pictures = find_masks(settings.locate(light.figure_mask))
        path = pictures.nearest(hero.frames[0])[1]
        if not read_mask(path, hero.fitted.size).any() and len(pictures.paths) == 1:
            raise SettingError(
                f"{path}: the figure mask of light {light.name} is all black, so no light falls on anybody; white is "
                "light, or write figure_light = 0"
            )


def warn_gaps(settings: ShotSettings, frames: tuple[int, int]) -> tuple[str, ...]:
    """Return one line for each sequence of figure masks that lacks frames of the shot."""
    lines = []
    for light in settings.light:
        pictures = None if light.figure_mask is None else find_masks(settings.locate(light.figure_mask))
        if pictures is None or not pictures.numbered:
            continue
        gaps = [frame for frame in range(frames[0], frames[1] + 1) if frame not in pictures.paths]
        if gaps:
            named = ", ".join(str(frame) for frame in gaps[:NAMED_GAPS]) + (" ..." if len(gaps) > NAMED_GAPS else "")
            lines.append(
                f"light {light.name}: figure_mask has no picture for {len(gaps)} frames of the shot ({named}); the "
                "nearest picture holds there"
            )
    return tuple(lines)


def find_figure_light(
    book: StageBook, settings: ShotSettings, hero: HeroPart, held: Held | None, noise: NoiseModel, pose_at: PoseAt
) -> FoundFigureLight:
    """Return the light on the figures of a shot's matte. Raises MissingInput for a mask that is not there.

    Notes: without a matte nobody is known to stand there, and none falls.
    """
    falling = [light for light in settings.light if light.figure_light > 0]
    if held is None or not falling:
        return FoundFigureLight()
    shares = {}
    for light in falling:
        share = make_share(light, settings, primaries=hero.working, size=hero.fitted.size, pose_at=pose_at)
        if share is not None:
            shares[light.name] = share
    inputs = {
        "way": WAY,
        "masks": book.identify(list_figure_files(settings)),
        "noise": [noise.a.tolist(), noise.b.tolist()],
    }
    relight = FigureRelight(held, noise, hero.working)
    return FoundFigureLight(relight, shares, inputs, warn_gaps(settings, hero.frames))
