"""The hero: what everything else is registered to, measured in and laid on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lightstack.errors import SettingError
from lightstack.files.schema import ShotSettings, TakeSettings
from lightstack.files.takes import Take
from lightstack.jobs.footage import FittedTake, open_fitted
from lightstack.jobs.look import Origin
from lightstack.jobs.options import BuildOptions
from lightstack.jobs.survey import survey_factor


@dataclass(frozen=True, slots=True)
class HeroPart:
    """The open hero: its take, its origin picture, and the shot frames to build (handles included)."""

    fitted: FittedTake
    settings: TakeSettings
    paths: tuple[Path, ...]
    origin: Origin
    frames: tuple[int, int]

    @property
    def take(self) -> Take:
        return self.fitted.take

    @property
    def warnings(self) -> tuple[str, ...]:
        """One line for everything that was assumed about the hero's footage."""
        info = self.take.info
        return tuple(f"hero: {line}" for line in (*info.encoding.assumed, *info.notes))


@contextmanager
def open_hero(settings: ShotSettings, options: BuildOptions) -> Iterator[HeroPart | None]:
    """Open the hero and read its reference frame; None where the shot has no hero."""
    hero = settings.takes.hero
    if hero is None:
        yield None
        return
    working = None if settings.shot.working == "hero" else settings.shot.working
    paths = settings.take_paths(hero)
    with open_fitted(hero, paths, name="hero", size=None, working=working, options=options) as fitted:
        frames = shot_range(settings, fitted.take)
        reference = settings.shot.reference
        origin = read_origin(fitted, settings, frames[0] if reference is None else reference, working)
        yield HeroPart(fitted, hero, paths, origin, frames)


def shot_range(settings: ShotSettings, take: Take) -> tuple[int, int]:
    """Return the shot frames to build, handles included.

    Raises
    ------
    SettingError
        If the hero lacks frames that `frames` and `handles` ask for; they are named.
    """
    shot, info = settings.shot, take.info
    have_first, have_last = shot.first_frame, shot.first_frame + info.frame_count - 1
    first, last = shot.frames or (have_first, have_last)
    if shot.frames is not None:
        first, last = first - shot.handles, last + shot.handles
    if first < have_first or last > have_last:
        missing = [f"{first}-{have_first - 1}"] if first < have_first else []
        missing += [f"{have_last + 1}-{last}"] if last > have_last else []
        raise SettingError(
            f"{info.paths[0]}: lacks shot frames {', '.join(missing)}; it has {have_first} to {have_last}: "
            "shorten `frames` or `handles`"
        )
    return first, last


def read_origin(fitted: FittedTake, settings: ShotSettings, shot_frame: int, working: str | None) -> Origin:
    """Read the hero's reference frame at survey size."""
    info = fitted.take.info
    source = shot_frame - settings.shot.first_frame + info.first_frame
    if not info.first_frame <= source <= info.last_frame:
        raise SettingError(
            f"{info.paths[0]}: reference names shot frame {shot_frame}, which the hero does not have"
        )
    factor = survey_factor(*fitted.size[::-1])
    frame = next(iter(fitted.take.read_frames([source])))
    picture, _ = fitted.proxy(frame, factor)
    return Origin("hero", np.asarray(picture, np.float32), fitted.size, working or info.encoding.primaries)
