"""Mixes for a review page: recalled at once; what they follow is measured where need be, and others are answered."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import TypeVar

from lightstack.errors import LightstackError, SettingError
from lightstack.files.shot.schema import ShotSettings
from lightstack.jobs.mix.followers import FollowSource, name_source
from lightstack.jobs.mix.mixes import LightMix, make_light_mix, make_mixes, rate_of
from lightstack.jobs.review.hold import Flights, PageHold
from lightstack.jobs.review.open import ReviewShot, list_lights
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Progress, Step

__all__ = ["Measuring"]

Made = TypeVar("Made")


class Unmeasured(LightstackError):
    """Something would have to be measured first."""


class Recalling:
    """Progress under which nothing is measured: what is not known yet is refused."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress

    def say(self, line: str, *, level: int = 0) -> None:
        """Say it."""
        self._progress.say(line, level=level)

    def step(self, name: str, total: int | None) -> AbstractContextManager[Step]:
        """Refuse any work. Raises Unmeasured."""
        raise Unmeasured(name)


class Measuring:
    """Makes the mixes of a shot; safe to use from several threads."""

    def __init__(self, flights: Flights, options: BuildOptions, progress: Progress) -> None:
        self._flights, self._options, self._progress = flights, options, progress

    def try_mix(self, shot: ReviewShot, hold: PageHold, settings: ShotSettings, name: str) -> LightMix:
        """Return the mix of one light of ``settings``. Raises SettingError, NotYet, StaleShot, and as readers do."""
        light, hero = next(one for one in settings.light if one.name == name), shot.hero
        if hero is None:
            raise SettingError("without a hero there is no time, and no mix")
        rate, book = rate_of(settings, hero), shot.delivery.book

        def make(progress: Progress) -> LightMix:
            return make_light_mix(light, FollowSource(settings, hero, rate, book, self._options, progress))

        return self._measured(hold, settings, name, make)

    def read_mixes(self, shot: ReviewShot, hold: PageHold, settings: ShotSettings) -> dict[str, LightMix]:
        """Return the mixes of all lights of a shot file. Raises as `try_mix`, MissingInput for what was not built."""
        for light in list_lights(settings):
            shot.find_built(light.source)
        book, options = shot.delivery.book, self._options

        def make(progress: Progress) -> dict[str, LightMix]:
            return make_mixes(settings, shot.hero, book=book, options=options, progress=progress)

        return self._measured(hold, settings, None, make)

    def _measured(
        self, hold: PageHold, settings: ShotSettings, name: str | None, make: Callable[[Progress], Made]
    ) -> Made:
        """Return what ``make`` makes. ``name``: of a light, None for all. Each thing is measured once."""
        try:
            return make(Recalling(self._progress))
        except Unmeasured:
            pass
        lights = [light for light in settings.light if name in (None, light.name)]
        followed = [f"follow {name_source(wish)}" for light in lights for wish in light.mix.follow]
        with self._flights.of(*followed), hold.work():
            return make(self._progress)
