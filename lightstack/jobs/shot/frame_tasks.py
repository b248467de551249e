"""What the shot's frames are made for: the preview, the written elements, the movie; each a stage of the build."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

from lightstack.core.timecode import count_timecode
from lightstack.errors import ChangedInput, OutputError, SettingError
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.kept.ledger import FrameLedger
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.write.exr_lines import Attributes
from lightstack.files.write.plates import TIMECODE, write_png
from lightstack.jobs.frame.element_sink import ElementSink
from lightstack.jobs.frame.hero_pass import Sink
from lightstack.jobs.frame.movie_sink import MovieSink, recall_movie
from lightstack.jobs.frame.preview_sink import PreviewSink
from lightstack.jobs.frame.sheets import PairSink, pick_patch_frames, pick_sheet_frames, strongest_gain
from lightstack.jobs.frame.shot_frames import FrameMaker, ShotFrame
from lightstack.jobs.patch.patch import PatchLayer
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import FlashReport, LaidFrame, LaidFrames, Progress
from lightstack.report.phrases import say_count, say_share
from lightstack.report.pictures import make_contact_sheet

__all__ = [
    "LIGHT",
    "ElementTask",
    "MadeFrames",
    "MovieTask",
    "PreviewTask",
    "Task",
    "check_movie",
    "check_sheet_frames",
    "wanted_elements",
    "warn_left",
]

LIGHT = "light"  # the contact sheet's own group of pictures; patches are groups by their names


@dataclass(slots=True)
class MadeFrames:
    """What was made of the shot's frames, or recalled; ``shown``: the shot has frames at all."""

    laid: dict[str, tuple[LaidFrame, ...]] = field(default_factory=dict)  # by group
    files: list[tuple[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    numbers: dict[str, str] = field(default_factory=dict)
    flash: FlashReport | None = None
    shown: bool = False


def wanted_elements(settings: ShotSettings) -> tuple[str, ...]:
    """Return the elements that are written frame by frame; without `[render]` only what patches make."""
    patched = ("hero_clean",) if settings.patch else ()
    if settings.render is None:
        return patched
    finished = ("relit",) if settings.render.exr else ()
    return tuple(dict.fromkeys((*finished, *settings.render.elements, *patched)))


class Task:
    """One stage that frames are made for: opens its sinks where it is not current, records it afterwards."""

    stage = ""

    def __init__(self, delivery: Delivery, inputs: dict[str, Any], *, force: bool) -> None:
        self.delivery, self.inputs = delivery, inputs
        self.current = not force and delivery.book.is_current(self.stage, inputs)

    def open(self, stack: ExitStack, made: MadeFrames, progress: Progress) -> Sequence[Sink]:
        """Return the sinks to feed; none where the stage is current."""
        raise NotImplementedError

    def close(self, made: MadeFrames) -> None:
        """Add what the stage made, or had made before, and note it in the book."""
        raise NotImplementedError


class PreviewTask(Task):
    """The preview movie, the contact sheet, and before and after of patches."""

    stage = "preview"

    def __init__(
        self,
        delivery: Delivery,
        settings: ShotSettings,
        hero: HeroPart,
        maker: Callable[[], FrameMaker],
        layers: Sequence[PatchLayer],
        inputs: dict[str, Any],
        options: BuildOptions,
        *,
        force: bool,
    ) -> None:
        inputs = {**inputs, "preview": settings.preview.model_dump(mode="json")}
        super().__init__(delivery, inputs, force=force)
        self._settings, self._hero, self._maker, self._options = settings, hero, maker, options
        self._layers = tuple(layers)
        self._movie, self._sheet = delivery.stem("preview") + ".mp4", delivery.stem("contact_sheet") + ".png"
        self._patch_sheet = delivery.stem("hero_clean") + ".png"
        self._kept = delivery.folder.scratch_folder("preview") / "laid.npz"
        self._known: LaidFrames | None = None
        self._pairs: tuple[PairSink, ...] = ()

    def open(self, stack: ExitStack, made: MadeFrames, progress: Progress) -> Sequence[Sink]:
        if self.current:
            self._known = recall_or_none(self._kept, LaidFrames, progress=progress)
            if self._known is not None:
                progress.say("preview: unchanged")
                return ()
        settings, hero = self._settings, self._hero
        movie = PreviewSink(
            self.delivery.folder.file(self._movie),
            hero.take,
            quality=settings.preview.quality,
            working=hero.working,
            rate=settings.shot.rate,
            view=settings.preview.view,
            config=self._options.ocio,
        )
        first, last = hero.frames
        lights = self._maker().lights
        sheet = pick_sheet_frames([laid.mix for laid in lights], first, last, settings.preview.frames)
        light = PairSink(
            {LIGHT: sheet},
            {LIGHT: lambda frame: strongest_gain(lights, frame)},
            pick=lambda shot: (shot.before, shot.relit),
            working=hero.working,
        )
        patches = PairSink(
            {layer.name: pick_patch_frames(layer, first, last) for layer in self._layers},
            {layer.name: layer.strength_at for layer in self._layers},
            pick=lambda shot: (shot.before, shot.clean),
            working=hero.working,
        )
        self._pairs = (light, patches)
        return (stack.enter_context(movie), light, patches)

    def _name_lights(self) -> str:
        """Name the lights that the contact sheet shows; of several, its gains are the strongest one's."""
        names = [light.name for light in self._settings.light]
        if len(names) < 2:
            return f"light {names[0]}" if names else ""
        return f"lights {', '.join(names)}; the mix of the strongest"

    def close(self, made: MadeFrames) -> None:
        if self._known is None:
            light, patches = self._pairs
            sheet = make_contact_sheet(light.laid[LIGHT], title=self._name_lights())
            write_png(self.delivery.folder.file(self._sheet), sheet)
            if self._layers:
                pairs = [frame for frames in patches.laid.values() for frame in frames]
                drawn = make_contact_sheet(pairs, say=lambda gain: f"{say_share(gain)} laid")
                write_png(self.delivery.folder.file(self._patch_sheet), drawn)
            laid = {name: tuple(frames) for sink in self._pairs for name, frames in sink.laid.items()}
            self._known = LaidFrames(tuple(laid), tuple(laid.values()))
            keep_record(self._kept, self._known)
            kept = str(self._kept.relative_to(self.delivery.folder.path))
            self.delivery.book.record("preview", self.inputs, [*(name for name, _ in self._files()), kept])
        made.laid.update(zip(self._known.groups, self._known.frames, strict=True))
        made.files += self._files()

    def _files(self) -> list[tuple[str, str]]:
        files = [(self._movie, "preview: the hero with the light"), (self._sheet, "before and after at a few frames")]
        return files + ([(self._patch_sheet, "patches before and after")] if self._layers else [])


class ElementTask(Task):
    """Finished frames and elements as EXR, each frame by itself: a run that broke off goes on where it was."""

    stage = "frames"

    def __init__(
        self,
        delivery: Delivery,
        settings: ShotSettings,
        hero: HeroPart,
        maker: Callable[[], FrameMaker],
        inputs: dict[str, Any],
        only: tuple[int, int] | None,
        *,
        force: bool,
    ) -> None:
        elements = wanted_elements(settings)
        # the ledger goes by what every element is made from, so that one more of them makes no other again
        name = f"{delivery.stem('written')}.json"
        self._ledger = FrameLedger(delivery.folder.scratch_folder("frames") / name, delivery.folder, inputs)
        super().__init__(delivery, {**inputs, "elements": elements}, force=force)
        first, last = hero.frames
        self._all = range(first, last + 1)
        self._wanted = self._all if only is None else range(only[0], only[1] + 1)
        if force:
            self._ledger.forget(self._wanted)
        self._keeps_others = settings.render is None  # a build leaves alone what `render` wrote beside it
        self._sink = ElementSink(
            delivery,
            self._ledger,
            maker,
            elements,
            only=self._wanted,
            working=hero.working,
            white=next((light.screen_white for light in settings.light if light.lay == "screen"), None),
            describe_frame=FrameHeader(settings, hero),
        )

    def open(self, stack: ExitStack, made: MadeFrames, progress: Progress) -> Sequence[Sink]:
        if self._sink.skipped:
            progress.say(f"frames: {self._sink.skipped} of {len(self._wanted)} are written already")
        stack.push(self._keep_ledger)
        return (self._sink,) if self._sink.unfinished else ()

    def close(self, made: MadeFrames) -> None:
        written = [n for n in self._all if self._ledger.is_written(n, self._sink.names(n))]
        made.files += self._sink.describe(written)
        if not self._keeps_others:
            self._ledger.drop_stale([name for n in self._all for name in self._sink.names(n)])
        made.warnings += warn_earlier(self._ledger)
        self._ledger.save()
        if len(written) == len(self._all):
            if not self.current:
                names = [name for frame in written for name in self._sink.names(frame)]
                self.delivery.book.record(self.stage, self.inputs, names)
            return
        made.warnings.append(
            f"frames: {len(written)} of {len(self._all)} are written; `lightstack render` writes the others"
        )

    def _keep_ledger(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Save what was written. Where frames failed already, their own error is the one to tell."""
        if isinstance(error, ChangedInput):
            self._ledger.forget(n for n in self._wanted if self._sink.wants(n))  # nobody knows what they show
        try:
            self._ledger.save()
        except OutputError:
            if error is None:
                raise


@dataclass(frozen=True, slots=True)
class FrameHeader:
    """What stands in the header of a frame's files: rate, timecode and pixel aspect, as the hero has them."""

    settings: ShotSettings
    hero: HeroPart

    def __call__(self, shot: ShotFrame) -> Attributes:
        """Return a frame's attributes; a frame that stands in for a damaged one brings no timecode of its own."""
        info = self.hero.take.info
        found: dict[str, str | int | float | Fraction] = {}
        rate = self.settings.shot.rate or info.rate
        if rate:
            found["framesPerSecond"] = Fraction(rate)
        source = shot.number - self.settings.shot.first_frame + info.first_frame
        timecode = shot.source.timecode
        if timecode and shot.source.number == source and info.rate and count_timecode(timecode, info.rate) is not None:
            found[TIMECODE] = timecode
        if info.pixel_aspect != 1:
            found["PixelAspectRatio"] = float(info.pixel_aspect)
        return found


def warn_left(delivery: Delivery, inputs: dict[str, Any]) -> list[str]:
    """Return what is to be said of frames that `render` wrote, where a build makes none."""
    path = delivery.folder.scratch / "frames" / f"{delivery.stem('written')}.json"
    return warn_earlier(FrameLedger(path, delivery.folder, inputs))


def warn_earlier(ledger: FrameLedger) -> list[str]:
    """Return a line for frames in the folder that no longer show the shot as it is."""
    earlier = ledger.list_earlier()
    if not earlier:
        return []
    return [
        f"frames: {say_count(len(earlier), 'file')} of an earlier render, such as {earlier[0]}, "
        f"{'shows' if len(earlier) == 1 else 'show'} the shot as it was; `lightstack render` writes "
        f"{'it' if len(earlier) == 1 else 'them'} again"
    ]


class MovieTask(Task):
    """The finished frames as a movie in the hero's own encoding."""

    stage = "movie"

    def __init__(
        self, delivery: Delivery, settings: ShotSettings, hero: HeroPart, inputs: dict[str, Any], *, force: bool
    ) -> None:
        assert settings.render is not None
        super().__init__(delivery, {**inputs, "movie": settings.render.movie}, force=force)
        self._settings, self._hero = settings, hero
        self._kept = delivery.folder.scratch_folder("movie") / "movie.json"
        self._sink: MovieSink | None = None

    def open(self, stack: ExitStack, made: MadeFrames, progress: Progress) -> Sequence[Sink]:
        if self.current and recall_movie(self._kept) is None:
            progress.say(f"{self._kept}: what the last build kept cannot be read; that part is built again")
        elif self.current:
            progress.say("movie: unchanged")
            return ()
        path = self.delivery.folder.file(self.delivery.stem("relit"))
        self._sink = plan_movie(path, self._settings, self._hero)
        return (stack.enter_context(self._sink),)

    def close(self, made: MadeFrames) -> None:
        if self._sink is not None:
            self._sink.keep(self._kept)
            outputs = [self._sink.name, str(self._kept.relative_to(self.delivery.folder.path))]
            self.delivery.book.record(self.stage, self.inputs, outputs)
        name, warnings = recall_movie(self._kept) or ("", [])
        made.files.append((name, "the finished shot as a movie in the hero's own encoding"))
        made.warnings += warnings


def plan_movie(path: Path, settings: ShotSettings, hero: HeroPart) -> MovieSink:
    """Return the movie that the shot asks for, not begun. Raises SettingError where no movie can hold the hero."""
    assert settings.render is not None
    offset = settings.shot.first_frame - hero.take.info.first_frame
    first, last = hero.frames
    frames = (first - offset, last - offset)
    return MovieSink(path, hero.take, codec=settings.render.movie, frames=frames, rate=settings.shot.rate)


def check_movie(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse a movie that cannot hold the hero, before anything long begins. Raises SettingError."""
    if settings.render is not None and settings.render.movie != "none":
        plan_movie(settings.locate(settings.shot.out) / "relit", settings, hero)


def check_sheet_frames(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse contact-sheet frames that the preview does not have. Raises SettingError naming them."""
    first, last = hero.frames
    outside = [str(frame) for frame in settings.preview.frames if not first <= frame <= last]
    if outside:
        raise SettingError(
            f"{settings.path}: [preview] frames names {', '.join(outside)}, outside the shot's frames {first} to {last}"
            "; write shot frames, or leave the key out"
        )
