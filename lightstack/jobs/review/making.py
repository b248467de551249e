"""What a review page makes beside being looked at: stills made ready, stills filled, where the lamps were."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from threading import Event, Thread

from lightstack.errors import LightstackError, SettingError
from lightstack.files.shot.schema import Light
from lightstack.jobs.light.filled import FilledStills
from lightstack.jobs.light.lamp_places import StillPlaces, places_or_recall
from lightstack.jobs.review.hero import NotYet
from lightstack.jobs.review.hold import StaleShot
from lightstack.jobs.review.open import ReviewShot
from lightstack.jobs.review.opening import Opening, ShownShot
from lightstack.jobs.review.stills import SweepProxies, make_filled, open_proxies
from lightstack.records import BuiltSweep, Progress

__all__ = ["Making"]

QUIET_S = 0.5  # in which nobody waited for a still
AGAIN_S = 1.0  # until it is tried again whether a build has ended


class Making:
    """Makes what a page needs and no build left; ``busy`` while it does so in a thread of its own."""

    def __init__(self, opening: Opening, progress: Progress) -> None:
        self._opening, self._progress = opening, progress
        self._closed, self.busy = Event(), Event()

    def close(self) -> None:
        """Begin nothing any more."""
        self._closed.set()

    def stills_of(self, name: str, *, filled: bool = False, plain: bool = False) -> SweepProxies | None:
        """Return the stills that a light is made of; None while they are being filled. ``plain``: as in the stack."""
        with self._opening.lock:
            opened, light = self._opening.now, self._opening.now.shot.find_light(name)
            wants = not plain and (filled or light.using != "plate")
            known = opened.stills.get((light.source, wants))
            if known is not None:
                return known
            built = opened.shot.find_built(light.source)
            opened.hold.check_steady()
            if not wants:
                made = opened.stills[light.source, False] = open_proxies(opened.shot, built)
                return made
            travel = opened.shot.parts.played.travels.get(light.name)
            if travel is not None:
                made = opened.stills[light.source, True] = open_proxies(opened.shot, built, travel.filled)
                return made
            self._fill(opened, light)
            return None

    def _fill(self, opened: ShownShot, light: Light) -> None:
        """Begin to fill a sweep's stills. Raises what went wrong when it was tried before."""
        if self._opening.is_building:
            raise SettingError("stills are filled when the build has ended; wait for it")
        if light.source in opened.filling:
            error = opened.filling[light.source]
            if error is not None:
                raise error
            return
        if self.busy.is_set():
            return
        opened.filling[light.source] = None

        def work() -> None:
            built = opened.shot.find_built(light.source)
            try:
                with opened.hold.work():
                    made: FilledStills = make_filled(opened.shot, built, self._progress)
                    proxies = open_proxies(opened.shot, built, made)
            except NotYet:  # tried again when somebody asks again
                opened.filling.pop(light.source, None)
                return
            except Exception as error:  # told to whoever asks next
                opened.filling[light.source] = error
                return
            with self._opening.lock:
                opened.stills[light.source, True] = proxies
                opened.filling.pop(light.source, None)

        self._make_beside(work)

    def place_lamps(self) -> None:
        """Find out where the lamps were, where that is not known yet; the page is told by a new revision."""
        opened, shot = self._opening.now, self._opening.now.shot
        missing = [built for built in shot.built if built.report.name not in shot.places]

        def work() -> None:
            time.sleep(QUIET_S)
            while not shot.first.wait(QUIET_S):
                pass  # the first picture goes before
            while not self._closed.is_set():
                try:
                    with opened.hold.work():
                        self._find_lamps(shot, missing)
                    break
                except NotYet:  # a build is at work elsewhere
                    self._closed.wait(AGAIN_S)
                except StaleShot:
                    return
            self._opening.rise()

        if missing:
            self._make_beside(work)

    def _find_lamps(self, shot: ReviewShot, missing: list[BuiltSweep]) -> None:
        for built in missing:
            sweep = shot.settings.find_sweep(built.report.name)
            with suppress(LightstackError):  # the pictures do not always tell
                shot.places[sweep.name] = places_or_recall(
                    shot.delivery, sweep, built, force=False, progress=self._progress
                )

    def find_places(self, name: str) -> tuple[Light, StillPlaces]:
        """Return a light, and where its lamp was. Raises SettingError where that is not known, NotYet."""
        shot = self._opening.now.shot
        found = shot.find_light(name)
        known = shot.places.get(found.source)
        if known is not None:
            return found, known
        if self.busy.is_set():
            raise NotYet(f"{found.source}: where the lamp was is still being worked out; ask again")
        raise SettingError(f"{found.source}: where the lamp was cannot be told, so no light can travel by it")

    def _make_beside(self, work: Callable[[], None]) -> None:
        """Make something for the page while it is looked at; no build can be started meanwhile."""
        self.busy.set()

        def run() -> None:
            try:
                work()
            finally:
                self.busy.clear()

        Thread(target=run, daemon=True, name="beside the page").start()
