"""One frame of the shot, made: patches, tossed things, light, hold-out, light on figure and things, grain.

What is laid is what the files say: the light is rounded to half floats before it is laid over the hero, which is
rounded too wherever light falls, so that whoever lays the written light over the written hero gets the written frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lay.lay import add_light, held_back, join_screened, lay_light, lay_rounded, round_half
from lightstack.core.prop.lay import join_covers
from lightstack.core.warp import is_identity, warp_picture
from lightstack.jobs.element.laid_things import LaidThings, ThingLayers
from lightstack.jobs.patch.patch import PatchLayer, lay_patches
from lightstack.records import BoolArray, CodedFrame, FloatArray, MixCurve

__all__ = ["FigureLight", "FigureShare", "FrameMaker", "Grain", "Held", "LaidLight", "LightOverTime", "ShotFrame"]

# fields of grain that must not repeat each other
PATCH_GRAIN, LIGHT_GRAIN, SET_GRAIN, SET_LIGHT_GRAIN, THING_GRAIN = range(5)


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


class LightOverTime(Protocol):
    """A light that is another picture on every frame, (H, W, 3) in the origin's place, gel already multiplied in."""

    def at(self, shot_frame: int) -> FloatArray: ...


@dataclass(frozen=True, slots=True, eq=False)
class LaidLight:
    """A plate with its mix and laying rule: what is laid over every hero frame."""

    name: str
    light: NDArray[np.float32] | LightOverTime  # (H, W, 3), gel already multiplied in
    mix: MixCurve
    rule: str
    white: float
    figure_light: float = 0.0
    figure_share: FigureShare | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ShotFrame:
    """One frame of the shot. All pictures (H, W, 3) float32 linear, as filmed; None where there is nothing of it.

    ``before``: the hero as decoded. ``clean``: with its patches and tossed things. ``light``: what `plus` lays,
    ``screened``: what `screen` lays after it, ``grain``: what is added last, apart from the grain that ``light`` holds.
    ``held`` (H, W): the figure's matte.
    ``changed`` (H, W): where the frame is not the hero's own; None where it is nowhere. ``things``: what was laid of
    tossed things, None where there are none.
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
    things: LaidThings | None = None

    @property
    def withheld(self) -> FloatArray | None:
        """How much light is kept off the set, by the figure and by things, (H, W); None where nothing keeps any."""
        return self.held if self.things is None else join_covers(self.held, self.things.cover)


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Where a frame is, and who stands in its light: ``kept`` (H, W) keeps light off the set; None: nobody.

    ``things``: that were laid in it.
    """

    kept: FloatArray | None
    shot_frame: int
    pose: NDArray[np.float64]
    things: LaidThings | None = None


@dataclass(frozen=True, slots=True, eq=False)
class LightParts:
    """What is laid over a frame, each (H, W, 3) as files hold it; None where there is nothing of it."""

    light: FloatArray | None
    screened: FloatArray | None
    grain: FloatArray | None

    @property
    def any(self) -> bool:
        """Whether there is any light."""
        return self.light is not None or self.screened is not None


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
        things: ThingLayers | None = None,
    ) -> None:
        self._lights, self._patches, self._things = tuple(lights), tuple(patches), things
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
        stand = Standing(held_back(held, removed), shot_frame, pose)
        things = self._lay_things(clean, held, stand)
        if things is not None:
            clean, stand = things.picture, replace(stand, things=things)
        parts, white = self._make_light(clean, lit, stand, LIGHT_GRAIN), find_white(lit)
        changed = join_changes(removed, things)
        relit = before
        if parts.any or changed is not None:
            changed = np.zeros(before.shape[:2], bool) if changed is None else changed
            relit = lay_parts(clean, parts, white, changed)
        return ShotFrame(
            shot_frame, source, pose, before, clean, parts.light, parts.screened, parts.grain, held, relit, changed,
            things,
        )  # fmt: skip

    def make_figure(self, shot: ShotFrame) -> FloatArray:
        """Return whoever stands before the set in a frame, colour times matte, without the set's own colour, (H, W, 3).

        Raises ValueError where the shot has no hold-out matte.
        """
        if self._held is None:
            raise ValueError("no hold-out matte was given")
        return self._held.figure_at(shot.number, shot.clean if shot.things is None else shot.things.under)

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
        parts = self._make_light(bare, lit, Standing(None, shot_frame, pose), SET_LIGHT_GRAIN)
        return bare, lay_parts(bare, parts, find_white(lit), np.zeros(bare.shape[:2], bool))

    def _lay_things(self, clean: FloatArray, held: FloatArray | None, stand: Standing) -> LaidThings | None:
        """Lay the things of a frame, with what their edges and shadow lack of grain; None where there are none."""
        if self._things is None:
            return None

        def read_figure() -> FloatArray:
            assert self._held is not None and held is not None and stand.kept is not None
            left = np.asarray(stand.kept / np.maximum(held, 1e-4), np.float32)  # less what patches removed of him
            return self._held.figure_at(stand.shot_frame, clean) * left[..., None]

        laid = self._things.lay(clean, stand.kept, read_figure, stand.shot_frame, stand.pose)
        if laid is None or self._grain is None:
            return laid
        grain = self._grain.top_up(
            laid.picture, laid.picture, 1 - laid.grain, shot_frame=stand.shot_frame, field=THING_GRAIN
        )
        picture = np.where(laid.changed[..., None], laid.picture + grain, laid.picture)
        return replace(laid, picture=np.asarray(picture, np.float32))

    def _removed(self, shot_frame: int, pose: NDArray[np.float64]) -> FloatArray | None:
        """Return how much of every pixel patches have replaced, (H, W); None where none is on."""
        left: FloatArray | None = None
        for layer in self._patches:
            if layer.strength_at(shot_frame) > 0:
                kept = np.asarray(1 - layer.laid_share(shot_frame, pose), np.float32)
                left = kept if left is None else left * kept
        return None if left is None else np.asarray(1 - left, np.float32)

    def _make_light(self, hero: FloatArray, lit: Sequence[LaidLight], stand: Standing, field: int) -> LightParts:
        """Return the light of a frame as files hold it.

        Grain lies in the light where all of it adds; a screened light would dim it, so there it lies apart.
        """
        plus: FloatArray | None = None
        for one in lit:
            plus = self._add_fall(plus, one, hero, stand) if one.rule == "plus" else plus
        falls = [self._add_fall(None, one, hero, stand) for one in lit if one.rule == "screen"]
        white = find_white(lit)
        screened = join_screened(falls, white=white) if falls else None
        grain: FloatArray | None = None
        if self._grain is not None and lit:
            bright = lay_all(hero, plus, screened, None, white)
            grain = self._grain.top_up(bright, hero, None, shot_frame=stand.shot_frame, field=field)
        if screened is None and plus is not None and grain is not None:
            plus, grain = np.add(plus, grain, out=plus), None
        # rounded in place: at full size every picture counts; grain may be somebody else's
        plus, screened = (None if part is None else round_half(part, part) for part in (plus, screened))
        return LightParts(plus, screened, None if grain is None else round_half(grain))

    def _add_fall(
        self, total: FloatArray | None, laid: LaidLight, hero: FloatArray, stand: Standing
    ) -> FloatArray:
        """Add to ``total`` what one light throws on the set behind the figure, and on the figure."""
        plate = self._find_plate(laid, stand)
        gain = laid.mix.gain_at(stand.shot_frame)
        things = stand.things
        total = add_light(total, plate, stand.kept if things is None else things.withheld, gain)
        if stand.kept is not None and self._figure_light is not None and laid.figure_light > 0:
            under = hero if things is None else things.under
            fallen = self._figure_light(under, plate, stand.kept, stand.shot_frame, stand.pose)
            share = None
            if laid.figure_share is not None:
                share = 1 - laid.figure_share(under, stand.shot_frame, stand.pose)
            if things is not None:  # what is before the figure takes its own light
                share = join_covers(share, things.before)
            total = add_light(total, fallen, share, laid.figure_light * gain)
        on_things = None if things is None else things.light_on(plate)
        return total if on_things is None else add_light(total, on_things, None, gain)

    def _find_plate(self, laid: LaidLight, stand: Standing) -> FloatArray:
        """Return a light at full mix where a frame shows it."""
        if isinstance(laid.light, np.ndarray):
            return self._move(self._lights.index(laid), laid.light, stand.pose)
        picture = laid.light.at(stand.shot_frame)
        if is_identity(stand.pose):
            return picture
        return move_whole(picture, np.asarray(np.linalg.inv(stand.pose), np.float64))

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


def join_changes(removed: FloatArray | None, things: LaidThings | None) -> BoolArray | None:
    """Return where patches and things changed a frame, (H, W); None where neither is."""
    changed = None if removed is None else np.asarray(removed > 0)
    if things is None:
        return changed
    return things.changed.copy() if changed is None else changed | things.changed


def lay_parts(clean: FloatArray, parts: LightParts, white: float, changed: BoolArray) -> FloatArray:
    """Lay light over the picture that a file of ``clean`` holds; ``changed`` becomes True where there is light."""
    if parts.screened is None and parts.grain is None and parts.light is not None:
        return lay_rounded(clean, parts.light, changed)
    for part in (parts.light, parts.screened):
        if part is not None:
            changed |= (part != 0).any(axis=2)
    return lay_all(round_half(clean), parts.light, parts.screened, parts.grain, white)


def find_white(lit: Sequence[LaidLight]) -> float:
    """Return the white that screened lights work against."""
    return next((light.white for light in lit if light.rule == "screen"), 1.0)


PoseAt = Callable[[int], NDArray[np.float64]]
