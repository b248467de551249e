"""The check of a shot's finished frames for flashes, in the pass that makes them."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lightstack.files.folder import write_whole
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.tables import write_csv
from lightstack.files.write.plates import write_png
from lightstack.jobs.frame.flash_look import FlashLook
from lightstack.jobs.frame.flash_pass import FlashPass, keep_light
from lightstack.jobs.frame.hero_pass import Sink
from lightstack.jobs.frame.shot_frames import ShotFrame
from lightstack.jobs.shot.frame_tasks import MadeFrames, Task
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import FlashReport, Progress
from lightstack.report.flash_words import say_flash

__all__ = ["FlashSink", "FlashTask", "flash_rows", "kept_flash", "write_flash"]

KEPT = ("flash", "flash.npz")  # in the scratch folder
UNKNOWN_RATE = Fraction(24)  # frames/s that the preview is shown at where nobody says


class FlashSink:
    """Counts flashes of finished frames, as the preview shows them."""

    def __init__(self, settings: ShotSettings, hero: HeroPart, options: BuildOptions) -> None:
        info = hero.take.info
        self._rate = settings.shot.rate or info.rate or UNKNOWN_RATE
        self._first = hero.frames[0]
        look = FlashLook(
            info.encoding, hero.fitted.size, working=hero.working, view=settings.preview.view, config=options.ocio
        )
        self.work = FlashWork(look)
        self._pass = FlashPass(look, peak=settings.flash.peak, mixed=True)
        self._notes = (
            ()
            if settings.shot.rate or info.rate
            else (f"the frame rate is not known; {UNKNOWN_RATE} frames/s are taken, `rate` in [shot] says otherwise",)
        )

    def wants(self, shot_frame: int) -> bool:
        """Every frame."""
        return True

    def put(self, shot_frame: int, piece: Any) -> None:
        """Count a frame's changes."""
        self._pass.add(shot_frame, (shot_frame - self._first) / self._rate, *piece)

    def report(self) -> FlashReport:
        """Return the report over all frames."""
        return self._pass.report(notes=self._notes, frame_word="shot frame")


@dataclass(frozen=True, slots=True, eq=False)
class FlashWork:
    """Makes what the check looks at of a frame."""

    look: FlashLook

    def __call__(self, shot: ShotFrame) -> Any:
        """Return what is shown of the frame and what is kept of it."""
        clean = shot.clean if shot.changed is not None else shot.relit
        return self.look.cells_of_light(shot.relit), keep_light(clean, shot.relit)


class FlashTask(Task):
    """The check for flashes as a stage of the build."""

    stage = "flash"

    def __init__(
        self,
        delivery: Delivery,
        settings: ShotSettings,
        hero: HeroPart,
        inputs: dict[str, Any],
        options: BuildOptions,
        *,
        force: bool,
    ) -> None:
        shown = {"flash": settings.flash.model_dump(mode="json"), "view": settings.preview.view}
        super().__init__(delivery, {**inputs, **shown}, force=force)
        self._settings, self._hero, self._options = settings, hero, options
        self._kept = delivery.folder.scratch_folder(KEPT[0]) / KEPT[1]
        self._known: FlashReport | None = None
        self._sink: FlashSink | None = None

    def open(self, stack: ExitStack, made: MadeFrames, progress: Progress) -> Sequence[Sink]:
        if self.current:
            self._known = recall_or_none(self._kept, FlashReport, progress=progress)
            if self._known is not None:
                progress.say("flash check: unchanged")
                return ()
        self._sink = FlashSink(self._settings, self._hero, self._options)
        return (self._sink,)

    def close(self, made: MadeFrames) -> None:
        names = (self.delivery.stem("flash"), self.delivery.stem("flash_areas"))
        if self._known is None:
            assert self._sink is not None
            self._known = self._sink.report()
            files = write_flash(self.delivery.folder.path, names, self._known)
            keep_record(self._kept, self._known)
            kept = str(self._kept.relative_to(self.delivery.folder.path))
            self.delivery.book.record(self.stage, self.inputs, [*(name for name, _ in files), kept])
        made.flash = self._known
        made.files += name_files(names, self._known)
        if self._known.fails:
            made.warnings.append(f"flash check: {say_flash(self._known)}")


def kept_flash(out: Path, *, progress: Progress) -> FlashReport | None:
    """Return the report that the last build of a folder kept; None where it kept none."""
    return recall_or_none(out / ".lightstack" / KEPT[0] / KEPT[1], FlashReport, progress=progress)


def name_files(names: tuple[str, str], report: FlashReport) -> list[tuple[str, str]]:
    """Return a report's files and what they are; ``names``: without ending, of the table and of the areas."""
    stem, areas = names
    files = [
        (f"{stem}.csv", "flash check: changes and areas of every frame"),
        (f"{stem}.png", "flash check: changes within a second, drawn"),
    ]
    return files + ([(f"{areas}.png", "flash check: where it flashes")] if report.places else [])


def write_flash(folder: Path, names: tuple[str, str], report: FlashReport) -> list[tuple[str, str]]:
    """Write a report's table, plot and picture of areas; return files and what they are. ``names`` as `name_files`."""
    from lightstack.report.flash_plot import draw_places, plot_flash  # drawing takes long to load

    stem, areas = names
    rules = report.table.rules
    header = ["frame", "seconds", *(f"{name}_{what}" for name in rules for what in ("changes", "area"))]
    write_csv(folder / f"{stem}.csv", header, flash_rows(report))
    write_whole(folder / f"{stem}.png", plot_flash(report, form="png", ground="paper"))
    if report.places:
        write_png(folder / f"{areas}.png", draw_places(report.places))
    return name_files(names, report)


def flash_rows(report: FlashReport) -> list[list[object]]:
    """Return the table's rows: frame, seconds, then changes and area by rule."""
    table = report.table
    return [
        [
            int(number),
            float(table.seconds[i]),
            *(cell for k in range(len(table.rules)) for cell in (int(table.changes[i, k]), float(table.areas[i, k]))),
        ]
        for i, number in enumerate(table.frames.tolist())
    ]
