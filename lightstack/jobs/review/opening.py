"""The shot that a review page looks at: opened, opened again when it was built, its lights read anew from its file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from threading import RLock

from lightstack.errors import LightstackError
from lightstack.files.kept.review_keep import keep_only
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.shot.shot_changes import read_shot_bytes
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.mix.mixes import LightMix
from lightstack.jobs.review.hero import HeroProxies, NotYet, open_hero_proxies
from lightstack.jobs.review.hold import Flights, PageHold
from lightstack.jobs.review.measure import Measuring
from lightstack.jobs.review.open import ReviewShot, open_review
from lightstack.jobs.review.render import BuildRun
from lightstack.jobs.review.say import describe_lights
from lightstack.jobs.review.stills import SweepProxies, name_stills
from lightstack.jobs.review.view import PageView, find_page_view
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Progress

__all__ = ["Opening", "ShownShot"]


class ShownShot:
    """A shot with everything that is made of it for the page.

    ``filling``: sweeps whose stills are being filled, or what went wrong with that.
    """

    def __init__(self, shot: ReviewShot) -> None:
        self.shot = shot
        self.hold = PageHold(shot.delivery.book, shot.made)
        self.view: PageView = find_page_view(shot)
        self.hero: HeroProxies | None = open_hero_proxies(shot, self.view)
        self.stills: dict[tuple[str, bool], SweepProxies] = {}
        self.filling: dict[str, Exception | None] = {}

    def close(self) -> None:
        """Let go of the hero and of what is kept."""
        if self.hero is not None:
            self.hero.close()
        for proxies in list(self.stills.values()):
            proxies.shelf.close()
        self.shot.close()


class Opening:
    """The shot that is open now, and builds of it; safe to ask from several threads.

    ``lock``: held while ``now`` is exchanged or something is begun beside it. ``revision`` rises with all that the page
    should ask for again, ``built`` with every build. ``trouble``: lines on a file or a build that cannot be shown.
    ``whenever_opened`` is called when another build was opened.
    """

    def __init__(
        self, path: Path, *, options: BuildOptions, progress: Progress, whenever_opened: Callable[[], None]
    ) -> None:
        self.path, self._options, self._progress = path, options, progress
        self._whenever_opened = whenever_opened
        self.lock, self.flights = RLock(), Flights()
        self.now = ShownShot(open_review(path, options=options, progress=progress))
        self.revision, self.built = 1, 1
        self.measure = Measuring(self.flights, options, progress)
        self.trouble: list[str] = []
        self._file_read: str = self.file_sha256()
        self.run = BuildRun(path, options, self.open_again)
        self._tidy()

    def close(self) -> None:
        """Stop a running build and whatever works ahead."""
        self.run.close()
        with self.lock:
            self.now.close()

    @property
    def is_building(self) -> bool:
        """Whether a build runs that was begun here."""
        return self.run.state.state == "running"

    def file_sha256(self) -> str:
        """Return the SHA-256 of the shot file as it is now. Raises MissingInput, UnreadableInput."""
        return read_shot_bytes(self.path)[1]

    def follow_file(self) -> str:
        """Take the lights as the shot file has them now; takes and sweeps stay as they were built.

        Returns the SHA-256 of the file that the lights are from. A file that cannot be used leaves everything as it is,
        and a line that says so.
        """
        if self.file_sha256() == self._file_read:
            return self._file_read
        with self.flights.of("shot file"):
            sha256, opened = self.file_sha256(), self.now
            if sha256 == self._file_read:
                return sha256
            try:
                settings = read_shot(self.path)
                mixes = self.measure.read_mixes(opened.shot, opened.hold, settings)
            except NotYet as error:  # tried again when the page asks again
                self.trouble = [f"the shot file has changed and is shown later: {error}"]
                return self._file_read
            except LightstackError as error:
                self._take_file(opened, sha256, None, str(error))
            else:
                self._take_file(opened, sha256, (settings, mixes), "")
            return sha256

    def _take_file(
        self, opened: ShownShot, sha256: str, found: tuple[ShotSettings, dict[str, LightMix]] | None, trouble: str
    ) -> None:
        """Show the lights of a shot file that was read, or say why not."""
        with self.lock:
            if self.now is not opened:
                return  # it was opened again meanwhile, and that read the file too
            shot, before = opened.shot, (opened.shot.file_settings, opened.shot.mixes)
            self._file_read = sha256
            try:
                if found is not None:
                    shot.file_settings, shot.mixes = found
                    describe_lights(shot)  # groups and weights may name what was not built
                    self.revision += 1
            except LightstackError as error:
                shot.file_settings, shot.mixes = before
                trouble = str(error)
            self.trouble = [f"the shot file has changed and cannot be shown: {trouble}"] if trouble else []

    def follow_build(self) -> None:
        """Open the shot again where it was built from elsewhere; where that broke off, all stays as it was opened."""
        with self.flights.of("open"):
            if self.is_building or not self.now.hold.is_anew():
                return
            try:
                self.open_again()
            except LightstackError as error:
                self.trouble = [f"the shot was built anew and cannot be opened: {error}"]
                self.now.hold.keep_on()

    def open_again(self) -> None:
        """Open the shot as it was just built."""
        opened = ShownShot(open_review(self.path, options=self._options, progress=self._progress))
        with self.lock:
            before, self.now = self.now, opened
            self._file_read, self.trouble = self.file_sha256(), []
            self.revision += 1
            self.built += 1
        before.close()
        self._tidy()
        self._whenever_opened()

    def rise(self) -> None:
        """Let the page ask for everything again."""
        with self.lock:
            self.revision += 1

    def _tidy(self) -> None:
        """Remove kept pictures of sweeps that are gone."""
        shot = self.now.shot
        names = {name_stills(built, filled=filled) for built in shot.built for filled in (False, True)}
        keep_only(shot.delivery.folder, {"hero", *names})
