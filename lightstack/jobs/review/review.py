"""`lightstack review`: everything that the page asks for, answered from a built shot."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Event, RLock, Thread
from typing import Any

import numpy as np

from lightstack.core.page.codes import encode_codes, pack_codes
from lightstack.errors import LightstackError, MissingInput, SettingError
from lightstack.files.kept.review_keep import keep_only
from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.shot.shot_changes import change_shot, read_shot_bytes, write_changed_shot
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.light.filled import FilledStills
from lightstack.jobs.light.lamp_places import StillPlaces, places_or_recall
from lightstack.jobs.mix.mixes import LightMix
from lightstack.jobs.review.changes import list_changes
from lightstack.jobs.review.hero import HeroProxies, NotYet, open_hero_proxies
from lightstack.jobs.review.hold import Flights, PageHold, StaleShot
from lightstack.jobs.review.measure import Measuring
from lightstack.jobs.review.open import ReviewShot, list_lights, open_review
from lightstack.jobs.review.pictures import draw_picture
from lightstack.jobs.review.render import BuildRun, BuildState
from lightstack.jobs.review.say import (
    describe_lights,
    describe_shot,
    describe_sweeps,
    describe_takes,
)
from lightstack.jobs.review.stills import (
    PagePicture,
    SweepProxies,
    halve,
    join_channels,
    make_filled,
    name_stills,
    open_proxies,
    pack_picture,
)
from lightstack.jobs.review.travel import lift_stills, try_way
from lightstack.jobs.review.view import PageView, find_page_view
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, Progress

__all__ = ["BuildState", "NotYet", "PagePicture", "Review", "StaleShot"]

QUIET_S = 0.5  # in which nobody waited for a still
AGAIN_S = 1.0  # until it is tried again whether a build has ended


def is_unbuilt(shot: ReviewShot) -> bool:
    """Tell whether the shot file asks for other light than was built, and checked for flashes."""
    now, then = shot.file_settings, shot.settings
    return (now.light, now.sweep, now.grain) != (then.light, then.sweep, then.grain)


class _Opened:
    """A shot with everything that is made of it for the page."""

    def __init__(self, shot: ReviewShot) -> None:
        self.shot = shot
        self.hold = PageHold(shot.delivery.book, shot.made)
        self.view: PageView = find_page_view(shot)
        self.hero: HeroProxies | None = open_hero_proxies(shot, self.view)
        self.stills: dict[tuple[str, bool], SweepProxies] = {}

    def close(self) -> None:
        """Let go of the hero and of what is kept."""
        if self.hero is not None:
            self.hero.close()
        for proxies in list(self.stills.values()):
            proxies.shelf.close()
        self.shot.close()


class Review:
    """A built shot on the table; safe to ask from several threads. Use `close` at the end."""

    def __init__(self, shot_path: Path, *, options: BuildOptions, progress: Progress) -> None:
        """Open a shot. Raises LightstackError with one line where it is not built, or cannot be read."""
        self._path, self._options, self._progress = shot_path, options, progress
        self._lock = RLock()
        self._opened = _Opened(open_review(shot_path, options=options, progress=progress))
        self._revision, self._built = 1, 1
        self._flights, self._closed = Flights(), Event()
        self._measure = Measuring(self._flights, options, progress)
        self._file_read: str = self.file_sha256()
        self._file_trouble: list[str] = []
        self._filling: dict[str, Exception | None] = {}
        self._busy = Event()  # while something is made for the page alone
        self._run = BuildRun(shot_path, options, self._open_again)
        self._tidy()
        self._place_lamps()

    def close(self) -> None:
        """Stop a running build and whatever works ahead."""
        self._closed.set()
        self._run.close()
        with self._lock:
            self._opened.close()

    # --- looking ---

    def describe(self, *, fresh: bool = False) -> dict[str, Any]:
        """Return what the page is told of the shot. ``fresh``: it has no pictures yet, and may get a later build's."""
        if fresh:
            self._follow_build()
        sha256 = self._follow_file()
        with self._lock:
            opened, shot = self._opened, self._opened.shot
            told = describe_shot(shot)
            return {
                **told,
                "warnings": [*self._file_trouble, *told["warnings"]],
                "revision": self._revision,
                "built": self._built,
                "unbuilt": is_unbuilt(shot),
                "shot_file": {"name": self._path.name, "sha256": sha256},
                "view": opened.view.plain,
                "takes": describe_takes(shot),
                "lights": describe_lights(shot),
                "sweeps": describe_sweeps(shot),
            }

    def view(self) -> PagePicture:
        """Return the view that the shot is shown through as a cube, red fastest, RGB half floats."""
        signal = self._opened.view.bake().signal
        return pack_picture(signal.reshape(-1, len(signal), 3), "rgb16f")

    def still(self, light: str, index: int, *, half: bool = False, filled: bool = False) -> PagePicture | None:
        """Return a light's still, RGBA half floats; None while stills are being filled. Raises MissingInput."""
        proxies = self._stills_of(light, filled=filled)
        return None if proxies is None else proxies.still(index, half=half)

    def guide(self, light: str, index: int, *, half: bool = False) -> PagePicture:
        """Return the guide of a light's still, one half float or RGBA. Raises MissingInput."""
        proxies = self._stills_of(light, plain=True)
        assert proxies is not None  # plain ones are always there
        return proxies.guide(index, half=half)

    def ambient(self, light: str, *, half: bool = False) -> PagePicture:
        """Return the light that was there beside a light's lamp, RGBA half floats, A 1. Raises MissingInput."""
        proxies = self._stills_of(light, plain=True)
        assert proxies is not None
        picture, alpha = proxies.ambient, np.ones(proxies.ambient.shape[:2], np.float32)
        if half:
            picture, alpha = halve(picture, alpha)
        return pack_picture(join_channels(picture, alpha), "rgba16f")

    def hero(self, shot_frame: int) -> PagePicture:
        """Return a frame without its light, three 10-bit codes in a word. Raises MissingInput, NotYet."""
        opened = self._opened
        if opened.hero is not None:
            return self._sized(opened.hero.codes(shot_frame), "rgb10")
        self._check_frame(shot_frame)
        first = list_lights(opened.shot.settings)[0]
        proxies = self._stills_of(first.name, plain=True)
        assert proxies is not None
        codes = pack_codes(encode_codes(proxies.ambient, opened.view.decode))
        return self._sized(codes.tobytes(), "rgb10")

    def holdout(self, shot_frame: int) -> PagePicture:
        """Return how much of every pixel keeps light off, a byte each. Raises MissingInput, NotYet."""
        hero = self._opened.hero
        if hero is None:
            raise MissingInput("a shot without a hero has no hold-out")
        return self._sized(hero.holdout(shot_frame), "r8")

    def figure(self, light: str | None, shot_frame: int) -> PagePicture:
        """Return a light on the figure at full strength, RGB half floats. Raises MissingInput, NotYet."""
        hero, lights = self._opened.hero, self._opened.shot.settings.light
        self._opened.hold.check_steady()  # plates are read as they are asked for
        if hero is None or not lights:
            raise MissingInput("nobody stands in this shot's light")
        return self._sized(hero.figure(light or lights[0].name, shot_frame), "rgb16f")

    def picture(self, what: str, frame: int, sweep: str | None) -> bytes:
        """Return a PNG to look at alone. Raises MissingInput for one that there is none of."""
        opened = self._opened
        held = opened.hero.holdout(frame) if what == "holdout" and opened.hero is not None else None
        return draw_picture(opened.shot, what, frame, sweep, held=held)

    # --- trying and writing ---

    def mix(self, light: str, mix: Any) -> dict[str, Any]:
        """Return a light's gains by a mix that is tried, as a build would have them. Raises SettingError."""
        shot = self._opened.shot
        shot.find_light(light)
        tried = self._change({"light": {light: {"mix": mix}}}).settings
        made = self._measure.try_mix(shot, self._opened.hold, tried, light)
        return {"gain": made.curve.gains.tolist(), "base": made.base.tolist(), "warnings": list(made.warnings)}

    def check(self, changes: Any) -> dict[str, Any]:
        """Return how the shot file would change, as a unified diff. Raises SettingError."""
        changed = self._change(changes)
        return {"diff": changed.diff, "sha256": changed.sha256}

    def write(self, changes: Any, sha256: Any) -> dict[str, Any]:
        """Write changes into the shot file that has this SHA-256. Raises SettingError, OutputError, StaleShot."""
        if not isinstance(sha256, str):
            raise SettingError("sha256: expected the one that the page was told")
        with self._lock:
            settings = read_shot(self._path)
            written = write_changed_shot(self._path, list_changes(settings, changes), sha256)
            if written is None:
                raise StaleShot(
                    f"{self._path.name} has changed on disk since this page read it; nothing was written: look at the "
                    "difference again, or reload the page"
                )
        self._follow_file()
        return {"sha256": written, "revision": self._revision}

    def travel(self, light: str, points: Any, group: Any = None) -> dict[str, Any]:
        """Return how much of every still a light takes on its way. Raises SettingError for a way that cannot be had."""
        with self._lock:
            found, known = self._find_places(light)
            return try_way(self._opened.shot, found, points, group, known)

    def lift(self, light: str, place: str, stills: str) -> PagePicture:
        """Return how the light of stills changes on the way to a place, see `lift_stills`. Raises MissingInput."""
        return lift_stills(self._find_places(light)[1], place, stills)

    def disk(self) -> dict[str, Any]:
        """Return what the page asks now and then: the shot file's SHA-256, which revision and which build are shown.

        ``anew``: the shot was built since, from elsewhere.
        """
        told = {"sha256": self.file_sha256(), "revision": self._revision, "built": self._built}
        return {**told, "anew": self._opened.hold.is_anew()}

    def check_built(self, known: str) -> None:
        """Raise StaleShot where a page's pictures are of another build (``known``) than those that it would get."""
        if known != str(self._built) or self._opened.hold.is_anew():
            raise StaleShot("the room was built anew: load this page again")

    def file_sha256(self) -> str:
        """Return the SHA-256 of the shot file as it is now. Raises MissingInput, UnreadableInput."""
        return read_shot_bytes(self._path)[1]

    # --- building ---

    def start_build(self) -> BuildState:
        """Build the shot in a process beside the page. Raises SettingError where one runs already."""
        with self._lock:  # nothing is begun beside the page meanwhile
            if self._busy.is_set():  # both would keep the same book
                raise NotYet("the page is still working something out; ask again in a moment")
            self._run.start()
            return self._run.state

    def cancel_build(self) -> bool:
        """Stop a build; tell whether there was one."""
        return self._run.cancel()

    def build_state(self) -> BuildState:
        """Return how far a build is."""
        return self._run.state

    def wait_build(self, number: int, seconds: float) -> BuildState:
        """Return how far a build is once that is another than ``number``, or after so many seconds."""
        return self._run.wait(number, seconds)

    # --- inside ---

    def _change(self, changes: Any) -> Any:
        return change_shot(self._path, list_changes(read_shot(self._path), changes))

    def _find_places(self, name: str) -> tuple[Light, StillPlaces]:
        """Return a light, and where its lamp was. Raises SettingError where that is not known, NotYet."""
        shot = self._opened.shot
        found = shot.find_light(name)
        known = shot.places.get(found.source)
        if known is not None:
            return found, known
        if self._busy.is_set():
            raise NotYet(f"{found.source}: where the lamp was is still being worked out; ask again")
        raise SettingError(f"{found.source}: where the lamp was cannot be told, so no light can travel by it")

    def _follow_file(self) -> str:
        """Take the lights as the shot file has them now; takes and sweeps stay as they were built.

        Returns the SHA-256 of the file that the lights are from. A file that cannot be used leaves everything as it is,
        and a line that says so.
        """
        if self.file_sha256() == self._file_read:
            return self._file_read
        with self._flights.of("shot file"):
            sha256, opened = self.file_sha256(), self._opened
            if sha256 == self._file_read:
                return sha256
            try:
                settings = read_shot(self._path)
                mixes = self._measure.read_mixes(opened.shot, opened.hold, settings)
            except NotYet as error:  # tried again when the page asks again
                self._file_trouble = [f"the shot file has changed and is shown later: {error}"]
                return self._file_read
            except LightstackError as error:
                self._take_file(opened, sha256, None, str(error))
            else:
                self._take_file(opened, sha256, (settings, mixes), "")
            return sha256

    def _take_file(
        self, opened: _Opened, sha256: str, found: tuple[ShotSettings, dict[str, LightMix]] | None, trouble: str
    ) -> None:
        """Show the lights of a shot file that was read, or say why not."""
        with self._lock:
            if self._opened is not opened:
                return  # it was opened again meanwhile, and that read the file too
            shot, before = opened.shot, (opened.shot.file_settings, opened.shot.mixes)
            self._file_read = sha256
            try:
                if found is not None:
                    shot.file_settings, shot.mixes = found
                    describe_lights(shot)  # groups and weights may name what was not built
                    self._revision += 1
            except LightstackError as error:
                shot.file_settings, shot.mixes = before
                trouble = str(error)
            self._file_trouble = [f"the shot file has changed and cannot be shown: {trouble}"] if trouble else []

    def _follow_build(self) -> None:
        """Open the shot again where it was built from elsewhere; where that broke off, all stays as it was opened."""
        with self._flights.of("open"):
            if self._run.state.state == "running" or not self._opened.hold.is_anew():
                return
            try:
                self._open_again()
            except LightstackError as error:
                self._file_trouble = [f"the shot was built anew and cannot be opened: {error}"]
                self._opened.hold.keep_on()

    def _open_again(self) -> None:
        """Open the shot as it was just built."""
        opened = _Opened(open_review(self._path, options=self._options, progress=self._progress))
        with self._lock:
            before, self._opened = self._opened, opened
            self._file_read, self._file_trouble = self.file_sha256(), []
            self._filling.clear()
            self._revision += 1
            self._built += 1
        before.close()
        self._tidy()
        self._place_lamps()

    def _stills_of(self, name: str, *, filled: bool = False, plain: bool = False) -> SweepProxies | None:
        """Return the stills that a light is made of; None while they are being filled. ``plain``: as in the stack."""
        with self._lock:
            opened, light = self._opened, self._opened.shot.find_light(name)
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

    def _fill(self, opened: _Opened, light: Light) -> None:
        """Begin to fill a sweep's stills. Raises what went wrong when it was tried before."""
        if self._run.state.state == "running":
            raise SettingError("stills are filled when the build has ended; wait for it")
        if light.source in self._filling:
            error = self._filling[light.source]
            if error is not None:
                raise error
            return
        if self._busy.is_set():
            return
        self._filling[light.source] = None

        def work() -> None:
            built = opened.shot.find_built(light.source)
            try:
                with opened.hold.work():
                    made: FilledStills = make_filled(opened.shot, built, self._progress)
                    proxies = open_proxies(opened.shot, built, made)
            except NotYet:  # tried again when somebody asks again
                self._filling.pop(light.source, None)
                return
            except Exception as error:  # told to whoever asks next
                self._filling[light.source] = error
                return
            with self._lock:
                opened.stills[light.source, True] = proxies
                self._filling.pop(light.source, None)

        self._make_beside(work)

    def _place_lamps(self) -> None:
        """Find out where the lamps were, where that is not known yet; the page is told by a new revision."""
        opened, shot = self._opened, self._opened.shot
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
            with self._lock:
                self._revision += 1

        if missing:
            self._make_beside(work)

    def _find_lamps(self, shot: ReviewShot, missing: list[BuiltSweep]) -> None:
        for built in missing:
            sweep = shot.settings.find_sweep(built.report.name)
            with suppress(LightstackError):  # the pictures do not always tell
                shot.places[sweep.name] = places_or_recall(
                    shot.delivery, sweep, built, force=False, progress=self._progress
                )

    def _make_beside(self, work: Callable[[], None]) -> None:
        """Make something for the page while it is looked at; no build can be started meanwhile."""
        self._busy.set()

        def run() -> None:
            try:
                work()
            finally:
                self._busy.clear()

        Thread(target=run, daemon=True, name="beside the page").start()

    def _check_frame(self, shot_frame: int) -> None:
        first, last = self._opened.shot.frames
        if not first <= shot_frame <= last:
            raise MissingInput(f"there is no frame {shot_frame}; the shot has {first} to {last}")

    def _sized(self, data: bytes, layout: str) -> PagePicture:
        height, width = self._opened.shot.proxy
        return PagePicture(data, width, height, layout)

    def _tidy(self) -> None:
        """Remove kept pictures of sweeps that are gone."""
        shot = self._opened.shot
        names = {name_stills(built, filled=filled) for built in shot.built for filled in (False, True)}
        keep_only(shot.delivery.folder, {"hero", *names})
