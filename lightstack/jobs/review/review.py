"""`lightstack review`: everything that the page asks for, answered from a built shot."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from lightstack.core.page.codes import encode_codes, pack_codes
from lightstack.errors import MissingInput, SettingError
from lightstack.files.shot.shot_changes import change_shot, write_changed_shot
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.review.changes import list_changes
from lightstack.jobs.review.hero import NotYet
from lightstack.jobs.review.hold import StaleShot
from lightstack.jobs.review.making import Making
from lightstack.jobs.review.open import ReviewShot, list_lights
from lightstack.jobs.review.opening import Opening, ShownShot
from lightstack.jobs.review.pictures import draw_picture
from lightstack.jobs.review.render import BuildState
from lightstack.jobs.review.say import (
    describe_lights,
    describe_shot,
    describe_sweeps,
    describe_takes,
)
from lightstack.jobs.review.stills import (
    PagePicture,
    halve,
    join_channels,
    pack_picture,
)
from lightstack.jobs.review.travel import lift_stills, try_way
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import Progress

__all__ = ["BuildState", "NotYet", "PagePicture", "Review", "StaleShot"]


def is_unbuilt(shot: ReviewShot) -> bool:
    """Tell whether the shot file asks for other light than was built, and checked for flashes."""
    now, then = shot.file_settings, shot.settings
    return (now.light, now.sweep, now.grain) != (then.light, then.sweep, then.grain)


class Review:
    """A built shot on the table; safe to ask from several threads. Use `close` at the end."""

    def __init__(self, shot_path: Path, *, options: BuildOptions, progress: Progress) -> None:
        """Open a shot. Raises LightstackError with one line where it is not built, or cannot be read."""
        self.opening = Opening(
            shot_path, options=options, progress=progress, whenever_opened=lambda: self.making.place_lamps()
        )
        self.making = Making(self.opening, progress)
        self.making.place_lamps()

    def close(self) -> None:
        """Stop a running build and whatever works ahead."""
        self.making.close()
        self.opening.close()

    @property
    def _now(self) -> ShownShot:
        return self.opening.now

    # --- looking ---

    def describe(self, *, fresh: bool = False) -> dict[str, Any]:
        """Return what the page is told of the shot. ``fresh``: it has no pictures yet, and may get a later build's."""
        if fresh:
            self.opening.follow_build()
        sha256 = self.opening.follow_file()
        with self.opening.lock:
            opened, shot = self._now, self._now.shot
            told = describe_shot(shot)
            return {
                **told,
                "warnings": [*self.opening.trouble, *told["warnings"]],
                "revision": self.opening.revision,
                "built": self.opening.built,
                "unbuilt": is_unbuilt(shot),
                "shot_file": {"name": self.opening.path.name, "sha256": sha256},
                "view": opened.view.plain,
                "takes": describe_takes(shot),
                "lights": describe_lights(shot),
                "sweeps": describe_sweeps(shot),
            }

    def view(self) -> PagePicture:
        """Return the view that the shot is shown through as a cube, red fastest, RGB half floats."""
        signal = self._now.view.bake().signal
        return pack_picture(signal.reshape(-1, len(signal), 3), "rgb16f")

    def still(self, light: str, index: int, *, half: bool = False, filled: bool = False) -> PagePicture | None:
        """Return a light's still, RGBA half floats; None while stills are being filled. Raises MissingInput."""
        proxies = self.making.stills_of(light, filled=filled)
        return None if proxies is None else proxies.still(index, half=half)

    def guide(self, light: str, index: int, *, half: bool = False) -> PagePicture:
        """Return the guide of a light's still, one half float or RGBA. Raises MissingInput."""
        proxies = self.making.stills_of(light, plain=True)
        assert proxies is not None  # plain ones are always there
        return proxies.guide(index, half=half)

    def ambient(self, light: str, *, half: bool = False) -> PagePicture:
        """Return the light that was there beside a light's lamp, RGBA half floats, A 1. Raises MissingInput."""
        proxies = self.making.stills_of(light, plain=True)
        assert proxies is not None
        picture, alpha = proxies.ambient, np.ones(proxies.ambient.shape[:2], np.float32)
        if half:
            picture, alpha = halve(picture, alpha)
        return pack_picture(join_channels(picture, alpha), "rgba16f")

    def hero(self, shot_frame: int) -> PagePicture:
        """Return a frame without its light, three 10-bit codes in a word. Raises MissingInput, NotYet."""
        opened = self._now
        if opened.hero is not None:
            return self._sized(opened.hero.codes(shot_frame), "rgb10")
        self._check_frame(shot_frame)
        first = list_lights(opened.shot.settings)[0]
        proxies = self.making.stills_of(first.name, plain=True)
        assert proxies is not None
        codes = pack_codes(encode_codes(proxies.ambient, opened.view.decode))
        return self._sized(codes.tobytes(), "rgb10")

    def holdout(self, shot_frame: int) -> PagePicture:
        """Return how much of every pixel keeps light off, a byte each. Raises MissingInput, NotYet."""
        hero = self._now.hero
        if hero is None:
            raise MissingInput("a shot without a hero has no hold-out")
        return self._sized(hero.holdout(shot_frame), "r8")

    def figure(self, light: str | None, shot_frame: int) -> PagePicture:
        """Return a light on the figure at full strength, RGB half floats. Raises MissingInput, NotYet."""
        hero, lights = self._now.hero, self._now.shot.settings.light
        self._now.hold.check_steady()  # plates are read as they are asked for
        if hero is None or not lights:
            raise MissingInput("nobody stands in this shot's light")
        return self._sized(hero.figure(light or lights[0].name, shot_frame), "rgb16f")

    def picture(self, what: str, frame: int, sweep: str | None) -> bytes:
        """Return a PNG to look at alone. Raises MissingInput for one that there is none of."""
        opened = self._now
        held = opened.hero.holdout(frame) if what == "holdout" and opened.hero is not None else None
        return draw_picture(opened.shot, what, frame, sweep, held=held)

    # --- trying and writing ---

    def mix(self, light: str, mix: Any) -> dict[str, Any]:
        """Return a light's gains by a mix that is tried, as a build would have them. Raises SettingError."""
        shot = self._now.shot
        shot.find_light(light)
        tried = self._change({"light": {light: {"mix": mix}}}).settings
        made = self.opening.measure.try_mix(shot, self._now.hold, tried, light)
        return {"gain": made.curve.gains.tolist(), "base": made.base.tolist(), "warnings": list(made.warnings)}

    def check(self, changes: Any) -> dict[str, Any]:
        """Return how the shot file would change, as a unified diff. Raises SettingError."""
        changed = self._change(changes)
        return {"diff": changed.diff, "sha256": changed.sha256}

    def write(self, changes: Any, sha256: Any) -> dict[str, Any]:
        """Write changes into the shot file that has this SHA-256. Raises SettingError, OutputError, StaleShot."""
        if not isinstance(sha256, str):
            raise SettingError("sha256: expected the one that the page was told")
        with self.opening.lock:
            settings = read_shot(self.opening.path)
            written = write_changed_shot(self.opening.path, list_changes(settings, changes), sha256)
            if written is None:
                raise StaleShot(
                    f"{self.opening.path.name} has changed on disk since this page read it; nothing was written: "
                    "look at the difference again, or reload the page"
                )
        self.opening.follow_file()
        return {"sha256": written, "revision": self.opening.revision}

    def travel(self, light: str, points: Any, group: Any = None) -> dict[str, Any]:
        """Return how much of every still a light takes on its way. Raises SettingError for a way that cannot be had."""
        with self.opening.lock:
            found, known = self.making.find_places(light)
            return try_way(self._now.shot, found, points, group, known)

    def lift(self, light: str, place: str, stills: str) -> PagePicture:
        """Return how the light of stills changes on the way to a place, see `lift_stills`. Raises MissingInput."""
        return lift_stills(self.making.find_places(light)[1], place, stills)

    def disk(self) -> dict[str, Any]:
        """Return what the page asks now and then: the shot file's SHA-256, which revision and which build are shown.

        ``anew``: the shot was built since, from elsewhere.
        """
        told = {"sha256": self.opening.file_sha256(), "revision": self.opening.revision, "built": self.opening.built}
        return {**told, "anew": self._now.hold.is_anew()}

    def check_built(self, known: str) -> None:
        """Raise StaleShot where a page's pictures are of another build (``known``) than those that it would get."""
        if known != str(self.opening.built) or self._now.hold.is_anew():
            raise StaleShot("the room was built anew: load this page again")

    # --- building ---

    def start_build(self) -> BuildState:
        """Build the shot in a process beside the page. Raises SettingError where one runs already."""
        with self.opening.lock:  # nothing is begun beside the page meanwhile
            if self.making.busy.is_set():  # both would keep the same book
                raise NotYet("the page is still working something out; ask again in a moment")
            self.opening.run.start()
            return self.opening.run.state

    def cancel_build(self) -> bool:
        """Stop a build; tell whether there was one."""
        return self.opening.run.cancel()

    def build_state(self) -> BuildState:
        """Return how far a build is."""
        return self.opening.run.state

    # --- inside ---

    def _change(self, changes: Any) -> Any:
        return change_shot(self.opening.path, list_changes(read_shot(self.opening.path), changes))

    def _check_frame(self, shot_frame: int) -> None:
        first, last = self._now.shot.frames
        if not first <= shot_frame <= last:
            raise MissingInput(f"there is no frame {shot_frame}; the shot has {first} to {last}")

    def _sized(self, data: bytes, layout: str) -> PagePicture:
        height, width = self._now.shot.proxy
        return PagePicture(data, width, height, layout)
