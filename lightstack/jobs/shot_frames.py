"""One frame of the shot, made: patches, light, hold-out, light on the figure, grain, in that order.

What is laid is what the files say: the light is rounded to half floats before it is laid over the hero, which is
rounded too wherever light falls, so that whoever lays the written light over the written hero gets the written frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lay import hold_back, join_screened, lay_light, round_half
from lightstack.core.warp import is_identity, warp_picture
from lightstack.jobs.patch import PatchLayer, lay_patches
from lightstack.records import BoolArray, CodedFrame, FloatArray, MixCurve

__all__ = ["FigureLight", "FigureShare", "FrameMaker", "Grain", "Held", "LaidLight", "ShotFrame"]

PATCH_GRAIN, LIGHT_GRAIN, SET_GRAIN, SET_LIGHT_GRAIN = range(4)  # fields of grain that must not repeat each other


class Held(Protocol):
    """The hold-out matte of a shot: how much of every pixel of a frame, as filmed, belongs to a figure."""

    def alpha_at(self, shot_frame: int) -> FloatArray: ...  # (H, W) float32, 0 to 1

    def figure_at(self, shot_frame: int, hero: FloatArray) -> FloatArray: ...  # (H, W, 3) colour times matte


class FigureLight(Protocol):
    """The light that a figure would have caught: for a plate (H, W, 3) in the frame's place, at full mix."""

    def __call__(
        self, hero: FloatArray, plate: FloatArray, held: FloatArray, shot_frame: int, pose: NDArray[np.float64]
    ) -> FloatArray: ...


class FigureShare(Protocol):
    """How much of a light falls on a figure where it stands, (H, W) 0 to 1 over a frame as filmed."""

    def __call__(self, hero: FloatArray, shot_frame: int, pose: NDArray[np.float64]) -> FloatArray: ...


class Grain(Protocol):
    """The camera's grain. ``field`` keeps what is laid over one frame from repeating itself."""

    def top_up(
        self, lit: FloatArray, hero: FloatArray, bare: FloatArray | None, *, shot_frame: int, field: int
    ) -> FloatArray: ...

    def cover(self, picture: FloatArray, *, shot_frame: int, field: int) -> FloatArray: ...


@dataclass(frozen=True, slots=True, eq=False)
class LaidLight:
    """A plate with its mix and laying rule: what is laid over every hero frame."""

    name: str
    light: NDArray[np.float32]  # (H, W, 3), gel already multiplied in
    mix: MixCurve
    rule: str
    white: float
    figure_light: float = 0.0
    figure_share: FigureShare | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ShotFrame:
    """One frame of the shot. All pictures (H, W, 3) float32 linear, as filmed; None where there is nothing of it.

    ``before``: the hero as decoded. ``clean``: with its patches. ``light``: what `plus` lays, ``screened``: what
    `screen` lays after it, ``grain``: what is added last, apart from the grain that ``light`` holds. ``held`` (H, W).
    ``changed`` (H, W): where the frame is not the hero's own; None where it is nowhere.
    """

    number: int
    source: CodedFrame
    pose: NDArray[np.float64]
    before: FloatArray
    clean: FloatArray
    light: FloatArray | None
    screened: FloatArray | None
    grain: FloatArray | None
    held: FloatArray | None
    relit: FloatArray
    changed: BoolArray | None


class FrameMaker:
    """Makes the frames of a shot, in any order and from several threads."""

    def __init__(
        self,
        lights: Sequence[LaidLight] = (),
        *,
        patches: Sequence[PatchLayer] = (),
        held: Held | None = None,
        figure_light: FigureLight | None = None,
        grain: Grain | None = None,
        background: FloatArray | None = None,
    ) -> None:
        self._lights, self._patches = tuple(lights), tuple(patches)
        self._held, self._figure_light, self._grain = held, figure_light, grain
        self._background = background
        self._moved: dict[int, tuple[bytes, FloatArray]] = {}

    @property
    def lights(self) -> tuple[LaidLight, ...]:
        """The lights that are laid."""
        return self._lights

    def make(
        self, source: CodedFrame, before: FloatArray, shot_frame: int, pose: NDArray[np.float64]
    ) -> ShotFrame:
        """Make one frame from the hero's picture of it."""
        removed = self._removed(shot_frame, pose)
        clean = lay_patches(before, self._patches, shot_frame, pose)
        if removed is not None and self._grain is not None:
            grain = self._grain.top_up(clean, clean, removed, shot_frame=shot_frame, field=PATCH_GRAIN)
            clean = np.asarray(clean + grain, np.float32)
        lit = [light for light in self._lights if light.mix.gain_at(shot_frame) > 0]
        held = self._held.alpha_at(shot_frame) if self._held is not None else None
        plus = self._sum_plus(lit, clean, held, removed, shot_frame, pose)
        screened = self._sum_screened(lit, clean, held, removed, shot_frame, pose)
        white = next((light.white for light in lit if light.rule == "screen"), 1.0)
        light, screened, added = self._finish_light(clean, plus, screened, white, shot_frame)
        changed = find_changed(light, screened, removed)
        relit = before if changed is None else lay_all(round_half(clean), light, screened, added, white)
        return ShotFrame(shot_frame, source, pose, before, clean, light, screened, added, held, relit, changed)

    def make_figure(self, shot: ShotFrame) -> FloatArray:
        """Return whoever stands before the set in a frame, colour times matte, without the set's own colour, (H, W, 3).

        Raises ValueError where the shot has no hold-out matte.
        """
        if self._held is None:
            raise ValueError("no hold-out matte was given")
        return self._held.figure_at(shot.number, shot.clean)

    def make_background(self, shot_frame: int, pose: NDArray[np.float64]) -> tuple[FloatArray, FloatArray]:
        """Return the bare set of a frame, (H, W, 3), and the same with the light; both grained.

        Raises ValueError where the shot has no picture of the bare set.
        """
        if self._background is None:
            raise ValueError("no picture of the bare set was given")
        bare = self._move(-1, self._background, pose)
        if self._grain is not None:
            bare = bare + self._grain.cover(bare, shot_frame=shot_frame, field=SET_GRAIN)
        lit = [light for light in self._lights if light.mix.gain_at(shot_frame) > 0]
        plus = self._sum_plus(lit, bare, None, None, shot_frame, pose)
        screened = self._sum_screened(lit, bare, None, None, shot_frame, pose)
        white = next((light.white for light in lit if light.rule == "screen"), 1.0)
        parts = self._finish_light(bare, plus, screened, white, shot_frame, field=SET_LIGHT_GRAIN)
        return bare, lay_all(round_half(bare), *parts, white)

    def _removed(self, shot_frame: int, pose: NDArray[np.float64]) -> FloatArray | None:
        """Return how much of every pixel patches have replaced, (H, W); None where none is on."""
        left: FloatArray | None = None
        for layer in self._patches:
            if layer.strength_at(shot_frame) > 0:
                kept = np.asarray(1 - layer.laid_share(shot_frame, pose), np.float32)
                left = kept if left is None else left * kept
        return None if left is None else np.asarray(1 - left, np.float32)

    def _fall(
        self,
        laid: LaidLight,
        clean: FloatArray,
        held: FloatArray | None,
        removed: FloatArray | None,
        shot_frame: int,
        pose: NDArray[np.float64],
    ) -> FloatArray:
        """Return what one light adds to a frame: on the set behind the figure, and on the figure."""
        plate = self._move(self._lights.index(laid), laid.light, pose)
        light = hold_back(plate, held, removed)
        if held is not None and self._figure_light is not None and laid.figure_light > 0:
            shown = held if removed is None else held * (1 - removed)
            fallen = self._figure_light(clean, plate, shown, shot_frame, pose) * np.float32(laid.figure_light)
            if laid.figure_share is not None:
                fallen = fallen * laid.figure_share(clean, shot_frame, pose)[..., None]
            light = light + fallen
        return light * np.float32(laid.mix.gain_at(shot_frame))

    def _sum_plus(
        self,
        lit: Sequence[LaidLight],
        clean: FloatArray,
        held: FloatArray | None,
        removed: FloatArray | None,
        shot_frame: int,
        pose: NDArray[np.float64],
    ) -> FloatArray | None:
        falls = [self._fall(one, clean, held, removed, shot_frame, pose) for one in lit if one.rule == "plus"]
        return sum_pictures(falls)

    def _sum_screened(
        self,
        lit: Sequence[LaidLight],
        clean: FloatArray,
        held: FloatArray | None,
        removed: FloatArray | None,
        shot_frame: int,
        pose: NDArray[np.float64],
    ) -> FloatArray | None:
        screened = [one for one in lit if one.rule == "screen"]
        if not screened:
            return None
        falls = [self._fall(one, clean, held, removed, shot_frame, pose) for one in screened]
        return join_screened(falls, white=screened[0].white)

    def _finish_light(
        self,
        hero: FloatArray,
        plus: FloatArray | None,
        screened: FloatArray | None,
        white: float,
        shot_frame: int,
        field: int = LIGHT_GRAIN,
    ) -> tuple[FloatArray | None, FloatArray | None, FloatArray | None]:
        """Return what is laid by plus, by screen, and grain apart: as files hold it.

        Grain lies in the light where all of it adds; a screened light would dim it, so there it lies apart.
        """
        if plus is None and screened is None:
            return None, None, None
        grain = None
        if self._grain is not None:
            lit = lay_all(hero, plus, screened, None, white)
            grain = self._grain.top_up(lit, hero, None, shot_frame=shot_frame, field=field)
        if screened is None and plus is not None and grain is not None:
            plus, grain = plus + grain, None
        return tuple(None if part is None else round_half(part) for part in (plus, screened, grain))  # type: ignore[return-value]

    def _move(self, index: int, picture: FloatArray, pose: NDArray[np.float64]) -> FloatArray:
        """Return a picture of the origin's place where a frame of that pose shows it; the last is remembered."""
        if is_identity(pose):
            return picture
        known = self._moved.get(index)
        if known is None or known[0] != pose.tobytes():
            known = (pose.tobytes(), move_whole(picture, np.asarray(np.linalg.inv(pose), np.float64)))
            self._moved[index] = known
        return known[1]


def move_whole(picture: FloatArray, pose: NDArray[np.float64]) -> FloatArray:
    """Return a picture (H, W, 3) as `warp_picture` does; beyond its border the nearest that is known goes on.

    Notes: a frame whose edge no light reached would show a dark line where the tripod was nudged.
    """
    moved, known = warp_picture(picture, pose)
    if known.all():
        return moved
    kind = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    to_centre = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    matrix = np.linalg.inv(to_centre) @ pose @ to_centre
    wide = cv2.warpPerspective(picture, matrix, picture.shape[1::-1], flags=kind, borderMode=cv2.BORDER_REPLICATE)
    return np.where(known[..., None], moved, np.asarray(wide, np.float32))


def lay_all(
    hero: FloatArray, light: FloatArray | None, screened: FloatArray | None, grain: FloatArray | None, white: float
) -> FloatArray:
    """Lay light over a picture as the files say: hero + light, then the screened light, then the grain."""
    if light is not None:
        hero = lay_light(hero, light)
    if screened is not None:
        hero = lay_light(hero, screened, rule="screen", white=white)
    return hero if grain is None else hero + grain


def find_changed(
    light: FloatArray | None, screened: FloatArray | None, removed: FloatArray | None
) -> BoolArray | None:
    """Tell where a frame is not the hero's own, (H, W); None where it is nowhere."""
    parts = [np.asarray((part != 0).any(axis=2)) for part in (light, screened) if part is not None]
    parts += [] if removed is None else [removed > 0]
    return None if not parts else np.logical_or.reduce(parts)


def sum_pictures(pictures: Sequence[FloatArray]) -> FloatArray | None:
    """Add pictures up; None where there are none."""
    total: FloatArray | None = None
    for picture in pictures:
        total = picture if total is None else total + picture
    return total


PoseAt = Callable[[int], NDArray[np.float64]]
