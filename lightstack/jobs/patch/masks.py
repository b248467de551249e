"""The masks of a patch: polygons or pictures, at any shot frame and size, as they lie on the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.mix.curve import make_curve
from lightstack.core.shapes import corners_at, draw_polygon, feather_mask, move_corners
from lightstack.errors import SettingError
from lightstack.files.read.masks import find_masks, read_mask
from lightstack.files.shot.schema import Patch, ShotSettings
from lightstack.jobs.patch.placed_masks import (
    IDENTITY,
    PoseAt,
    ShapeTrack,
    check_touching,
    move_mask,
    place_shape,
    shrink_mask,
)
from lightstack.records import MixCurve


class MaskMaker:
    """Draws the mask of one patch.

    Parameters
    ----------
    frames : shot frames of the build, inclusive.
    size : (H, W) of the hero.
    pose_at : pose of the hero at a shot frame; polygons are drawn over frames of the hero, and move with it where it
        was bumped.
    """

    def __init__(
        self, patch: Patch, settings: ShotSettings, *, frames: tuple[int, int], size: tuple[int, int], pose_at: PoseAt
    ) -> None:
        self.patch, self.size, self._pose_at = patch, size, pose_at
        self._tracks = [place_shape(shape, pose_at) for shape in patch.shape]
        self._pictures = None if patch.mask is None else find_masks(settings.locate(patch.mask))
        self._kept: tuple[object, NDArray[np.float32]] | None = None
        self.strength = cut_strength(patch, frames)

    @property
    def frames(self) -> list[int]:
        """The shot frames at which anything of the patch is laid."""
        first = self.strength.first_frame
        return [first + int(i) for i in np.flatnonzero(self.strength.gains > 0)]

    def key_of(self, frame: int) -> object:
        """Return what decides the mask's form in the origin's place: equal keys, equal masks."""
        if self._pictures is None:
            return tuple(self._corners(track, frame).tobytes() for track in self._tracks)
        return (str(self._pictures.path_at(frame)), self._pose_at(frame).tobytes() if self._pictures.numbered else b"")

    def draw(self, frame: int) -> NDArray[np.float32]:
        """Return the mask over a frame of the hero, (H, W) float32, without its strength."""
        pose = self._pose_at(frame)
        key = (self.key_of(frame), pose.tobytes())
        known = self._kept  # one look: frames are made by several threads
        if known is None or known[0] != key:
            known = self._kept = (key, self._draw(frame, pose, 1, at_origin=False))
        return known[1]

    def draw_small(self, frame: int, factor: int) -> NDArray[np.float32]:
        """Return the mask of a frame in the origin's place, (h, w) = (H, W) // factor."""
        return self._draw(frame, self._pose_at(frame), factor, at_origin=True)

    def check(self) -> None:
        """Refuse a polygon that lies outside of the picture on every frame, and masks that are not there or do not fit.

        Raises
        ------
        SettingError, MissingInput, UnreadableInput, MismatchedInput
            One line naming the patch or the file.
        """
        if self._pictures is not None:
            paths = dict.fromkeys(self._pictures.path_at(frame) for frame in self.frames)
            mask = read_mask(next(iter(paths)), self.size)
            if len(paths) == 1 and not mask.any():
                raise self.empty_error()
        for number, track in enumerate(self._tracks, start=1):
            seen = {corners.tobytes(): corners for frame in self.frames for corners in (self._corners(track, frame),)}
            check_touching(f"patch {self.patch.name}: shape {number}", list(seen.values()), self.size)

    def empty_error(self) -> SettingError:
        """Return the error for a mask that covers nothing on any frame."""
        if self.patch.mask is None:
            return SettingError(
                f"patch {self.patch.name}: its shapes cover nothing on any frame; "
                f"{'take `invert` out or ' if self.patch.invert else ''}draw them over what is to be patched"
            )
        drawn, meant = ("white", "black") if self.patch.invert else ("black", "white")
        return SettingError(
            f"{self.patch.mask}: the mask of patch {self.patch.name} is all {drawn} on every frame; "
            f"{meant} is what is patched"
        )

    def _corners(self, track: ShapeTrack, frame: int) -> NDArray[np.float64]:
        return corners_at(*track, frame)

    def _draw(self, frame: int, pose: NDArray[np.float64], factor: int, *, at_origin: bool) -> NDArray[np.float32]:
        size = (self.size[0] // factor, self.size[1] // factor)
        feather = self.patch.feather / factor
        if self._pictures is not None:
            mask = self._read(frame, factor, IDENTITY if at_origin else pose, pose)
            mask = feather_mask(mask, feather)
        else:
            mask = np.zeros(size, np.float32)
            for track in self._tracks:
                corners = self._corners(track, frame)
                corners = corners if at_origin else move_corners(corners, pose)
                mask = np.maximum(mask, draw_polygon(corners / factor, size, feather_px=feather))
        return 1 - mask if self.patch.invert else mask

    def _read(
        self, frame: int, factor: int, wanted: NDArray[np.float64], pose: NDArray[np.float64]
    ) -> NDArray[np.float32]:
        """Return a mask picture where a frame of the pose ``wanted`` shows it.

        One picture for all frames lies as the reference frame does, one of a sequence as its own frame.
        """
        assert self._pictures is not None
        mask = read_mask(self._pictures.path_at(frame), self.size)
        lies = pose if self._pictures.numbered else IDENTITY
        return shrink_mask(move_mask(mask, lies, wanted), factor)


def cut_strength(patch: Patch, frames: tuple[int, int]) -> MixCurve:
    """Return the strength of a patch, 0 to 1, over shot frames ``frames``; 0 outside of its own.

    Raises SettingError where it has none of the frames, or is nowhere above 0.
    """
    first, last = frames
    curve = make_curve(patch.strength_points, first=first, last=last)
    numbers = np.arange(first, last + 1)
    low, high = patch.frames or frames
    gains = np.where((numbers >= low) & (numbers <= high), curve.gains, 0.0)
    if not np.any(gains > 0):
        if high < first or low > last:
            raise SettingError(
                f"patch {patch.name}: frames [{low}, {high}] lie outside the shot's frames {first} to {last}; "
                "write shot frames, or leave `frames` out"
            )
        raise SettingError(
            f"patch {patch.name}: its strength is 0 on every one of its frames, so it does nothing; "
            "raise `strength`, or take the patch out"
        )
    return MixCurve(first, np.minimum(gains, 1.0))
