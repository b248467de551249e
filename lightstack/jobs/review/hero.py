"""The hero's frames at screen size for the review page: made ahead in one thread, kept from one run to the next."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Condition, Event, Thread
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.page.codes import encode_codes, pack_codes
from lightstack.errors import LightstackError, MissingInput
from lightstack.files.kept.review_keep import PictureShelf, open_shelf
from lightstack.jobs.frame.hero_pass import pair_frames
from lightstack.jobs.frame.shot_frames import FrameMaker, LaidLight, LightOverTime, ShotFrame
from lightstack.jobs.review.open import ReviewShot
from lightstack.jobs.review.stills import shrink_to, to_half
from lightstack.jobs.review.view import PageView
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import describe_reading
from lightstack.jobs.takes.poses import pose_of
from lightstack.records import CodedFrame, HeroLook, MixCurve

__all__ = ["HeroProxies", "NotYet", "open_hero_proxies"]

SCHEMA = 1
MOST_BYTES = 2 << 30  # of a hero's pictures in the scratch folder
FRESH = 12  # frames that are held in memory as well
NEAR = 16  # frames ahead that are waited for rather than gone to
PATIENCE_S = 20.0
WAIT_S = 0.2


class NotYet(LightstackError):
    """A picture that was not made in time; asking again is right."""


@dataclass(slots=True, eq=False)
class _Errand:
    """Something else that is made of one frame, by the thread that reads the hero."""

    shot_frame: int
    work: Callable[[CodedFrame], bytes]
    done: Event = field(default_factory=Event)
    data: bytes | None = None
    error: Exception | None = None


class HeroProxies:
    """Pictures of the hero's frames; safe to ask from several threads. One thread reads the hero and works ahead."""

    def __init__(self, shot: ReviewShot, hero: HeroPart, seen: HeroLook, view: PageView, shelf: PictureShelf) -> None:
        self._shot, self._hero, self._seen, self._view, self.shelf = shot, hero, seen, view, shelf
        self._maker = make_share_maker(shot)
        self._fresh: OrderedDict[int, bytes] = OrderedDict()
        self._figures: OrderedDict[tuple[str, int], bytes] = OrderedDict()
        self._errands: deque[_Errand] = deque()
        self._changed = Condition()
        self._asked = hero.frames[0]
        self._error: Exception | None = None
        self._closed = False
        self._thread = Thread(target=self._run, daemon=True, name="hero at screen size")
        self._thread.start()

    def codes(self, shot_frame: int) -> bytes:
        """Return a frame without its light, a word of three 10-bit codes for each pixel, row by row.

        Raises MissingInput for a frame that the shot does not have, NotYet where it takes too long.
        """
        return self._part(shot_frame, slice(0, 4 * self._pixels))

    def holdout(self, shot_frame: int) -> bytes:
        """Return how much of every pixel keeps light off, a byte each. Raises as `codes`."""
        return self._part(shot_frame, slice(4 * self._pixels, 5 * self._pixels))

    def figure(self, light: str, shot_frame: int) -> bytes:
        """Return a light on the figure at full mix, share 1, no gel: (h, w, 3) half floats. Raises as `codes`."""
        self._check(shot_frame)
        known = self._figures.get((light, shot_frame))
        if known is not None:
            return known
        laid = load_light(self._shot, light)
        errand = _Errand(shot_frame, lambda source: self._make_figure(source, shot_frame, laid))
        with self._changed:
            self._errands.append(errand)
            self._changed.notify_all()
        if not errand.done.wait(PATIENCE_S):
            raise NotYet(f"the light on the figure at frame {shot_frame} is still being made; ask again")
        if errand.error is not None or errand.data is None:
            raise errand.error or NotYet("it was not made; ask again")
        self._figures[light, shot_frame] = errand.data
        while len(self._figures) > FRESH:
            self._figures.popitem(last=False)
        return errand.data

    def close(self) -> None:
        """Stop working ahead."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._thread.join(10.0)
        self.shelf.close()

    @property
    def _pixels(self) -> int:
        return self._shot.proxy[0] * self._shot.proxy[1]

    def _check(self, shot_frame: int) -> None:
        first, last = self._hero.frames
        if not first <= shot_frame <= last:
            raise MissingInput(f"there is no frame {shot_frame}; the shot has {first} to {last}")

    def _part(self, shot_frame: int, wanted: slice) -> bytes:
        self._check(shot_frame)
        known = self._read(shot_frame, wanted)
        if known is not None:
            with self._changed:
                self._asked = shot_frame
            return known
        with self._changed:
            self._asked = shot_frame
            self._changed.notify_all()
            made = self._changed.wait_for(lambda: self._is_made(shot_frame) or self._ended, PATIENCE_S)
        if self._error is not None:
            raise self._error
        known = self._read(shot_frame, wanted) if made else None
        if known is None:
            raise NotYet(f"frame {shot_frame} is still being made; ask again")
        return known

    def _read(self, shot_frame: int, wanted: slice) -> bytes | None:
        fresh = self._fresh.get(shot_frame)
        if fresh is not None:
            return fresh[wanted]
        count = wanted.stop - wanted.start
        data = self.shelf.read(name_frame(shot_frame), wanted.start, count)
        return data if data is not None and len(data) == count else None

    @property
    def _ended(self) -> bool:
        return self._closed or self._error is not None

    def _is_made(self, shot_frame: int) -> bool:
        return shot_frame in self._fresh or self.shelf.has(name_frame(shot_frame))

    # --- the thread ---

    def _run(self) -> None:
        try:
            while not self._closed:
                self._run_errands()
                start = self._find_next()
                if start is None:
                    with self._changed:
                        idle = lambda: self._closed or self._errands or not self._is_made(self._asked)  # noqa: E731
                        self._changed.wait_for(idle)
                    continue
                self._walk(start)
        except Exception as error:  # whoever asks is told
            with self._changed:
                self._error = error
                self._changed.notify_all()
            self._run_errands(error)

    def _find_next(self) -> int | None:
        """Return the frame to go on at: what was asked for, then what follows it, then what is left."""
        first, last = self._hero.frames
        for frame in (*range(self._asked, last + 1), *range(first, self._asked)):
            if not self._is_made(frame):
                return frame
            if self.shelf.is_full and frame != self._asked:
                return None  # nothing more is kept, so nothing is made that nobody asks for
        return None

    def _walk(self, start: int) -> None:
        """Make frames from ``start`` on until something else is asked for."""
        hero, offset = self._hero, self._shot.settings.shot.first_frame - self._hero.take.info.first_frame
        ends = (hero.frames[0] - offset, hero.frames[1] - offset)
        frames = pair_frames(hero.take, range(start, hero.frames[1] + 1), offset, ends)
        for source, shot_frame in frames:
            self._store(shot_frame, self._make_frame(source, shot_frame))
            while not (self._shot.first.wait(WAIT_S) or self._turns(shot_frame)):
                pass  # stills are made for somebody
            if self._turns(shot_frame):
                break
        hero.take.close()  # or what was decoded ahead stays in memory

    def _turns(self, frame: int) -> bool:
        """Tell whether the walk ends after a frame."""
        if self._closed or self._errands or self._is_made(frame + 1):
            return True
        if self._is_made(self._asked):
            return self.shelf.is_full and frame >= self._asked + FRESH // 2
        return not frame < self._asked <= frame + NEAR

    def _store(self, shot_frame: int, data: bytes) -> None:
        self.shelf.keep(name_frame(shot_frame), data)
        with self._changed:
            self._fresh[shot_frame] = data
            while len(self._fresh) > FRESH:
                self._fresh.popitem(last=False)
            self._changed.notify_all()

    def _run_errands(self, error: Exception | None = None) -> None:
        """Do what else was asked for; where the hero cannot be read, tell ``error``."""
        while self._errands:
            errand = self._errands.popleft()
            try:
                if error is not None:
                    raise error
                errand.data = errand.work(self._read_source(errand.shot_frame))
            except Exception as failed:  # whoever asked is told
                errand.error = failed
            errand.done.set()

    def _read_source(self, shot_frame: int) -> CodedFrame:
        hero, offset = self._hero, self._shot.settings.shot.first_frame - self._hero.take.info.first_frame
        ends = (hero.frames[0] - offset, hero.frames[1] - offset)
        source = next(iter(pair_frames(hero.take, [shot_frame], offset, ends)))[0]
        hero.take.close()
        return source

    # --- pictures ---

    def _make(self, maker: FrameMaker, source: CodedFrame, shot_frame: int) -> ShotFrame:
        pose = pose_of(self._seen.registration, source.number)
        return maker.make(source, self._hero.take.linear(source), shot_frame, pose)

    def _make_frame(self, source: CodedFrame, shot_frame: int) -> bytes:
        """Return a frame's codes and its hold-out, one after the other."""
        shot = self._make(self._maker, source, shot_frame)
        small = shrink_to(shot.clean, self._shot.proxy)
        codes = pack_codes(encode_codes(small, self._view.decode))
        held = np.zeros(self._shot.proxy, np.uint8)
        if shot.light is not None:
            kept = 1 - shrink_to(np.clip(shot.light[..., 0], 0, 1), self._shot.proxy)
            held = np.rint(255 * np.clip(kept, 0, 1)).astype(np.uint8)
        return codes.tobytes() + held.tobytes()

    def _make_figure(self, source: CodedFrame, shot_frame: int, laid: LaidLight) -> bytes:
        """Return what a light gives beyond what falls on the set behind: what falls on the figure."""
        both = [
            self._make(make_maker(self._shot, [light], figures=figures), source, shot_frame).light
            for light, figures in ((laid, True), (laid, False))
        ]
        blank = np.zeros((*self._shot.size, 3), np.float32)
        with_him, without = (blank if light is None else light for light in both)
        return to_half(shrink_to(with_him - without, self._shot.proxy)).tobytes()


def open_hero_proxies(shot: ReviewShot, view: PageView) -> HeroProxies | None:
    """Open a shot's hero for the page; None where it has none."""
    hero, seen = shot.hero, shot.seen
    if hero is None or seen is None:
        return None
    parts = shot.parts
    things: Any = parts.more.get("things")
    inputs = {
        "schema": SCHEMA,
        "proxy": list(shot.proxy),
        "hero": hero.describe_inputs(shot.delivery.book),
        "reading": describe_reading(shot.options),
        "first": shot.settings.shot.first_frame,
        "view": [view.kind, view.decode.tolist()],
        "patches": None if parts.patched is None else parts.patched.inputs,
        "holdout": parts.holdout.inputs,
        "things": things,
    }
    shelf = open_shelf(shot.delivery.folder, "hero", inputs, most_bytes=MOST_BYTES)
    return HeroProxies(shot, hero, seen, view, shelf)


def name_frame(shot_frame: int) -> str:
    """Return a frame's file."""
    return f"{shot_frame}.codes"


def make_share_maker(shot: ReviewShot) -> FrameMaker:
    """Return what makes frames with a light of 1 everywhere: what of it the set gets, is what nobody keeps off."""
    laid: list[LaidLight] = []
    if shot.parts.held is not None or shot.parts.things is not None:
        laid = [LaidLight("all", np.ones((*shot.size, 3), np.float32), full_mix(shot), "plus", 1.0)]
    return make_maker(shot, laid, figures=False)


def make_maker(shot: ReviewShot, laid: list[LaidLight], *, figures: bool) -> FrameMaker:
    """Return what makes the shot's frames with other lights, without grain. ``figures``: lights fall on the figure."""
    parts = shot.parts
    light = parts.figures.light if figures else None
    return FrameMaker(laid, patches=parts.layers, held=parts.held, figure_light=light, things=parts.things)


def full_mix(shot: ReviewShot) -> MixCurve:
    """Return a mix of 1 on every frame."""
    first, last = shot.frames
    return MixCurve(first, np.ones(last - first + 1))


def load_light(shot: ReviewShot, name: str) -> LaidLight:
    """Return a light as it was built, at full mix, without its gel. Raises MissingInput where no figure gets any."""
    light = next((one for one in shot.settings.light if one.name == name), None)
    if light is None or shot.parts.figures.light is None:
        raise MissingInput(f"no light {name!r} falls on a figure in this shot")
    built = shot.find_built(light.source)
    plain = light.model_copy(update={"gel": (1.0, 1.0, 1.0)})
    picture: NDArray[np.float32] | LightOverTime = shot.parts.played.load(plain, built, shot.parts.regels)
    share = shot.parts.figures.shares.get(name)
    return LaidLight(name, picture, full_mix(shot), "plus", light.screen_white, 1.0, share)

