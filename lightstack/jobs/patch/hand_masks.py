"""Hands helping a matte: shapes drawn over frames, painted masks, and mattes that were made elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.regions import disc
from lightstack.core.shapes import corners_at, draw_polygon, move_corners
from lightstack.errors import SettingError
from lightstack.files.read.masks import MaskPictures, find_masks, read_mask
from lightstack.files.shot.schema import Holdout, HoldoutShape, ShotSettings
from lightstack.jobs.patch.placed_masks import IDENTITY, PoseAt, check_touching, move_mask, place_shape, shrink_mask
from lightstack.report.phrases import say_ranges

__all__ = ["HandWork"]

LOOKED_AT = 24  # pictures of a sequence that are looked at first for one that is not black


@dataclass(frozen=True, slots=True)
class Painted:
    """Pictures of one key. ``offset``: added to a shot frame to get a picture's number. ``holds``: whether the first
    and the last serve beyond the sequence's ends."""

    key: str
    pictures: MaskPictures
    channel: str = "auto"
    invert: bool = False
    offset: int = 0
    holds: bool = False

    def number_at(self, frame: int) -> tuple[int | None, Path] | None:
        """Return picture number and file that serve a shot frame; None where none does."""
        wanted, span = frame + self.offset, self.pictures.span
        if span is not None and not self.holds and not span[0] <= wanted <= span[1]:
            return None
        return self.pictures.nearest(wanted)


class HandWork:
    """What hands add to, or take from, a shot's matte.

    Parameters
    ----------
    frames : shot frames of the build, inclusive.
    size : (H, W) of the hero.
    pose_at : pose of the hero at a shot frame; what is drawn over one frame moves with the hero where it was bumped.
    """

    def __init__(
        self,
        wish: Holdout,
        settings: ShotSettings,
        *,
        frames: tuple[int, int],
        size: tuple[int, int],
        pose_at: PoseAt,
    ) -> None:
        self.wish, self.frames, self.size, self._pose_at = wish, frames, size, pose_at
        self._tracks = [place_shape(shape, pose_at) for shape in wish.shape]
        self._include = find_painted(settings, "include", wish.include)
        self._exclude = find_painted(settings, "exclude", wish.exclude)
        matte = wish.matte
        self._matte = None
        if matte is not None:
            self._matte = Painted(
                "matte",
                find_masks(settings.locate(matte.path)),
                matte.channel,
                matte.invert,
                matte.offset,
                holds=matte.use == "replace",
            )

    @property
    def painted(self) -> tuple[Painted, ...]:
        """The pictures that are read."""
        return tuple(one for one in (self._matte, self._include, self._exclude) if one is not None)

    def apply(self, alpha: NDArray[np.float32], frame: int) -> NDArray[np.float32]:
        """Return the matte (H, W) of a shot frame after all help; ``alpha`` is what was pulled.

        A matte from elsewhere comes first, then growing and softening; what is painted and drawn has the last word.
        """
        wish = self.wish
        other = None if self._matte is None else self._read(self._matte, frame)
        if other is not None and wish.matte is not None:
            alpha = join_mattes(alpha, other, wish.matte.use)
        alpha = soften_matte(grow_matte(alpha, wish.grow), wish.soften)
        for mode, mask in self._list_masks(frame):
            alpha = np.maximum(alpha, mask) if mode == "include" else alpha * (1 - mask)
        return alpha

    def settle(self, doubt: NDArray[np.float32], frame: int, factor: int) -> NDArray[np.float32]:
        """Return the doubt (h, w) at survey size that is left of a frame where hands did not decide."""
        other = None if self._matte is None else self._read(self._matte, frame)
        if other is not None and self.wish.matte is not None:
            decided = np.ones_like(other) if self.wish.matte.use == "replace" else other
            doubt = doubt * (1 - shrink_mask(decided, factor))
        for _, mask in self._list_masks(frame):
            doubt = doubt * (1 - shrink_mask(mask, factor))
        return doubt

    def check(self) -> None:
        """Refuse shapes outside of the picture, and pictures that are not there, do not fit, or say nothing.

        Raises
        ------
        SettingError, MissingInput, UnreadableInput, MismatchedInput
            One line naming the shape or the file.
        """
        for number, (shape, track) in enumerate(zip(self.wish.shape, self._tracks, strict=True), start=1):
            what = f"holdout: shape {number}"
            frames = shape_frames(shape, self.frames)
            if not len(frames):
                low, high = shape.frames or self.frames
                raise SettingError(
                    f"{what}: frames [{low}, {high}] lie outside the shot's frames {self.frames[0]} to "
                    f"{self.frames[1]}; write shot frames, or leave `frames` out"
                )
            at = {corners.tobytes(): corners for f in frames for corners in (corners_at(*track, f),)}
            check_touching(what, list(at.values()), self.size)
        for one in self.painted:
            check_painted(one, self.frames, self.size)

    def list_gaps(self) -> list[str]:
        """Return one line for each set of pictures that lacks frames of the shot."""
        return [line for one in self.painted for line in [say_gaps(one, self.frames)] if line]

    def describe(self) -> str:
        """Say what of it there is."""
        parts = [] if self.wish.matte is None else [f"a matte from elsewhere ({self.wish.matte.use})"]
        parts += [] if self.wish.grow == 0 else [f"grown by {self.wish.grow:g} px"]
        parts += [] if self.wish.soften == 0 else [f"softened by {self.wish.soften:g} px"]
        parts += [f"{one.key}d by painted masks" for one in (self._include, self._exclude) if one is not None]
        count = len(self.wish.shape)
        parts += [f"{count} shape{'s' if count > 1 else ''}"] if count else []
        return ", ".join(parts)

    def _list_masks(self, frame: int) -> list[tuple[str, NDArray[np.float32]]]:
        """Return what is painted and drawn for a frame, in order: mode and mask (H, W)."""
        masks = []
        for mode, one in (("include", self._include), ("exclude", self._exclude)):
            mask = None if one is None else self._read(one, frame)
            if mask is not None:
                masks.append((mode, mask))
        for shape, track in zip(self.wish.shape, self._tracks, strict=True):
            if frame in shape_frames(shape, self.frames):
                corners = move_corners(corners_at(*track, frame), self._pose_at(frame))
                masks.append((shape.mode, draw_polygon(corners, self.size, feather_px=shape.feather)))
        return masks

    def _read(self, one: Painted, frame: int) -> NDArray[np.float32] | None:
        """Return the picture that serves a frame, as that frame shows it; None where none does.

        One picture for all frames lies as the reference frame does, one of a sequence as the frame of its number.
        """
        found = one.number_at(frame)
        if found is None:
            return None
        number, path = found
        mask = read_mask(path, self.size, channel=one.channel)
        lies = IDENTITY if number is None else self._pose_at(number - one.offset)
        mask = move_mask(1 - mask if one.invert else mask, lies, self._pose_at(frame))
        return np.clip(mask, 0, 1)


def find_painted(settings: ShotSettings, key: str, path: str | None) -> Painted | None:
    """Return the pictures of a key; None where it is not given. Raises MissingInput."""
    return None if path is None else Painted(key, find_masks(settings.locate(path)))


def shape_frames(shape: HoldoutShape, frames: tuple[int, int]) -> range:
    """Return the shot frames at which a shape holds."""
    low, high = shape.frames or frames
    return range(max(low, frames[0]), min(high, frames[1]) + 1)


def join_mattes(
    alpha: NDArray[np.float32], other: NDArray[np.float32], use: str
) -> NDArray[np.float32]:
    """Return a matte (H, W) with another put in its place, added to it, or cut out of it."""
    if use == "replace":
        return other
    return np.maximum(alpha, other) if use == "add" else alpha * (1 - other)


def grow_matte(alpha: NDArray[np.float32], pixels: float) -> NDArray[np.float32]:
    """Widen a matte (H, W) by so many pixels, narrow it below 0; halves of a pixel are kept."""
    whole, rest = divmod(abs(pixels), 1)
    if pixels == 0:
        return alpha
    turn = cv2.dilate if pixels > 0 else cv2.erode
    near = turn(alpha, disc(int(whole))) if whole else alpha
    if rest:
        near = (1 - rest) * near + rest * turn(near, disc(1))
    return np.asarray(near, np.float32)


def soften_matte(alpha: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Blur a matte (H, W); beyond the picture's edge it goes on."""
    if sigma <= 0:
        return alpha
    return np.asarray(cv2.GaussianBlur(alpha, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)


def check_painted(one: Painted, frames: tuple[int, int], size: tuple[int, int]) -> None:
    """Refuse pictures of another size, and such that say nothing on any frame. Raises as `HandWork.check` does."""
    shot, span = range(frames[0], frames[1] + 1), one.pictures.span
    paths = list({found[1]: None for f in shot if (found := one.number_at(f)) is not None})
    if span is not None and not any(f + one.offset in one.pictures.paths for f in shot):
        low, high = span
        shift = f", which are shot frames {low - one.offset} to {high - one.offset}" if one.offset else ""
        raise SettingError(
            f"{one.pictures.name}: holdout {one.key}: has pictures {low} to {high}{shift}, and the shot has frames "
            f"{frames[0]} to {frames[1]}; number them by shot frames"
            + (", or put `offset` right" if one.key == "matte" else ", or put them right")
        )
    for path in spread_first(paths):
        mask = read_mask(path, size, channel=one.channel)
        if (1 - mask if one.invert else mask).any():
            return
    drawn, meant = ("white", "black") if one.invert else ("black", "white")
    raise SettingError(
        f"{one.pictures.name}: holdout {one.key}: is all {drawn} on every frame; {meant} is what it is about"
    )


def spread_first(paths: Sequence[Path]) -> list[Path]:
    """Return all paths, some that are spread evenly first."""
    some = [paths[int(k)] for k in np.unique(np.linspace(0, len(paths) - 1, LOOKED_AT).astype(int))]
    return list(dict.fromkeys([*some, *paths]))


def say_gaps(one: Painted, frames: tuple[int, int]) -> str | None:
    """Say which of the shot's frames have no picture of their own, and what holds there; None where all have one."""
    span = one.pictures.span
    if span is None:
        return None
    missing = [f for f in range(frames[0], frames[1] + 1) if f + one.offset not in one.pictures.paths]
    inner = [f for f in missing if one.holds or span[0] <= f + one.offset <= span[1]]
    if not inner:
        return None
    return (
        f"{one.pictures.name}: holdout {one.key}: has no picture for shot frames {say_ranges(inner)}; the nearest one "
        "holds there"
    )
