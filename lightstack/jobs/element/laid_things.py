"""Tossed things in a shot's frames: laid over the hero, keeping light off the set behind, and taking it themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import luminance_weights
from lightstack.core.matte.figure_light import light_figure, measure_levels
from lightstack.core.prop.lay import ThingPicture, grain_left, join_covers, lay_thing, move_thing, where_laid
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["LaidThings", "Thing", "ThingLayers"]


class Thing(Protocol):
    """A tossed thing. ``behind`` the figure, or before it; ``follow_mix``: how much of a light falls on it."""

    @property
    def behind(self) -> bool: ...

    @property
    def follow_mix(self) -> float: ...

    def picture_at(self, shot_frame: int) -> ThingPicture | None: ...  # in the origin's place; None: it is not there


@dataclass(frozen=True, slots=True, eq=False)
class SeenThing:
    """A thing as a frame shows it: ``alpha`` (H, W) and ``own`` (H, W, 3), less what hides it; ``follow_mix``."""

    alpha: FloatArray
    own: FloatArray
    follow_mix: float


@dataclass(frozen=True, slots=True, eq=False)
class LaidThings:
    """A frame with its things.

    ``picture`` (H, W, 3): the hero with them, ``under`` the same without. ``cover`` (H, W): how much of the set they
    hide, ``before`` (H, W): of the figure, None where none is before it. ``grain``: (H, W) how much of a frame's grain
    is there. ``changed`` (H, W): where the picture is not the one without. ``kept`` (H, W): the figure's, None: nobody.
    """

    picture: FloatArray
    under: FloatArray
    cover: FloatArray
    before: FloatArray | None
    grain: FloatArray
    changed: BoolArray
    kept: FloatArray | None
    seen: tuple[SeenThing, ...]
    noise: NoiseModel
    weights: NDArray[np.float64]

    @property
    def withheld(self) -> FloatArray:
        """How much of every pixel keeps light off the set behind, the figure's share included, (H, W)."""
        both = join_covers(self.kept, self.cover)
        assert both is not None
        return both

    def light_on(self, plate: FloatArray) -> FloatArray | None:
        """Return what a plate (H, W, 3) in the frame's place throws on the things at full mix; None where nothing."""
        lit = [one for one in self.seen if one.follow_mix > 0]
        if not lit:
            return None
        levels = measure_levels(plate, self.under, self.withheld)
        total = np.zeros_like(plate)
        for one in lit:
            total += one.follow_mix * light_figure(
                one.own, one.alpha, levels, noise=self.noise, weights=self.weights
            )
        return total


class ThingLayers:
    """All things of a shot, those behind the figure first. ``noise`` of one pixel, ``primaries``: of the hero."""

    def __init__(self, things: Sequence[Thing], *, noise: NoiseModel, primaries: str) -> None:
        self._things = tuple(sorted(things, key=lambda thing: not thing.behind))
        self._noise, self._weights = noise, luminance_weights(primaries)

    def lay(
        self,
        under: FloatArray,
        kept: FloatArray | None,
        read_figure: Callable[[], FloatArray],
        shot_frame: int,
        pose: NDArray[np.float64],
    ) -> LaidThings | None:
        """Lay the things of a frame over ``under`` (H, W, 3); None where there are none.

        ``kept`` (H, W): how much of every pixel is a figure's, None: nobody's; ``read_figure`` reads his colour times
        that, (H, W, 3), where a thing or its shadow touches him.
        """
        placed = [(thing, thing.picture_at(shot_frame)) for thing in self._things]
        there = [(thing, move_thing(one, pose)) for thing, one in placed if one is not None]
        there = [(thing, one) for thing, one in there if where_laid(one).any()]
        if not there:
            return None
        changed = np.asarray(np.logical_or.reduce([where_laid(one) for _, one in there]))
        meets = kept is not None and bool((changed & (kept > 0)).any())
        picture = pile_up(under, there, kept if meets else None, read_figure() if meets else None)
        grain = np.ones(changed.shape, np.float32)
        for _, one in there:
            grain = np.where(where_laid(one), grain_left(one, grain), grain)
        cover, before = cover_of([one for _, one in there]), cover_of([o for t, o in there if not t.behind])
        assert cover is not None
        return LaidThings(
            picture, under, cover, before, grain, changed, kept, find_seen(there, kept), self._noise, self._weights
        )


def pile_up(
    under: FloatArray, there: Sequence[tuple[Thing, ThingPicture]], kept: FloatArray | None, figure: FloatArray | None
) -> FloatArray:
    """Lay things one after the other, (H, W, 3); what one of them hides of the figure no later one meets."""
    picture = under
    for thing, one in there:
        picture = lay_thing(picture, one, kept=kept, figure=figure, behind=thing.behind)
        if not thing.behind and kept is not None and figure is not None:
            kept, figure = kept * (1 - one.alpha), figure * (1 - one.alpha)[..., None]
    return picture


def cover_of(things: Sequence[ThingPicture]) -> FloatArray | None:
    """Return how much things hide together, (H, W); None where there are none."""
    cover: FloatArray | None = None
    for one in things:
        cover = join_covers(cover, one.alpha)
    return cover


def find_seen(there: Sequence[tuple[Thing, ThingPicture]], kept: FloatArray | None) -> tuple[SeenThing, ...]:
    """Return what is seen of each thing past the figure and the things before it."""
    seen = []
    for k, (thing, one) in enumerate(there):
        hides = cover_of([later for _, later in there[k + 1 :]])
        if thing.behind:
            hides = join_covers(kept, hides)
        left = np.ones_like(one.alpha) if hides is None else 1 - hides
        seen.append(SeenThing(one.alpha * left, one.own * left[..., None], thing.follow_mix))
    return tuple(seen)
