"""`lightstack build`: everything that a shot file asks for; what did not change is skipped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from lightstack import __version__
from lightstack.core.curve import make_curve, make_envelope
from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import OutFolder, claimed_folder, read_json, write_json, write_whole
from lightstack.files.identity import StageBook
from lightstack.files.keep import keep_record, recall_record
from lightstack.files.plates import read_exr, write_png
from lightstack.files.schema import Light, Mix, ShotSettings, Sweep, TakeSettings
from lightstack.files.shotfile import read_shot
from lightstack.files.tables import read_mix, write_mix
from lightstack.jobs.finish import Delivery, deliver_sweep, finish
from lightstack.jobs.hero import HeroPart, describe_reading, look_at_hero, open_hero
from lightstack.jobs.laying import LaidLight, pick_sheet_frames, render_preview
from lightstack.jobs.manifest import describe_take
from lightstack.jobs.options import BuildOptions, BuildResult
from lightstack.jobs.sweep import SweepRequest, build_sweep
from lightstack.records import BuiltSweep, HeroLook, LaidFrame, LaidFrames, MixCurve, Progress, Verdict
from lightstack.report.pictures import make_contact_sheet
from lightstack.report.plots import plot_mix

SCHEMA = 1  # raised whenever a stage's result changes meaning


def build_shot(shot_path: Path, *, options: BuildOptions, progress: Progress, redo: str | None = None) -> BuildResult:
    """Build a shot: every sweep's plate, the mixes, the preview, the report.

    ``redo``: the one stage to build again though nothing changed ("preview"); with ``options.force`` all.

    Raises
    ------
    LightstackError
        For a shot file or footage that cannot be used; finished results of earlier stages stay.
    """
    settings = read_shot(shot_path)
    check_inputs(settings)
    with claimed_folder(settings.out) as folder:
        return build_into(folder, settings, options=options, progress=progress, redo=redo)


def build_into(
    folder: OutFolder, settings: ShotSettings, *, options: BuildOptions, progress: Progress, redo: str | None
) -> BuildResult:
    """Build checked settings into an output folder, as `build_shot` says."""
    force = {"sweep", "preview"} if options.force and redo is None else {redo}
    book = StageBook(folder, verify=options.verify)
    inputs = shot_inputs(book, settings, options)
    kept = folder.scratch / "result.json"
    if not force - {None} and book.is_current("shot", inputs):
        progress.say("nothing changed")
        return recall_result(folder.path, kept)
    shot = settings.shot
    delivery = Delivery(folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
    with open_hero(settings, options) as hero:
        seen = None
        if hero is not None:
            seen = look_at_hero(hero, folder, book, options, force="sweep" in force, progress=progress)
        built = [
            build_or_recall(delivery, settings, sweep, hero, seen, options, force="sweep" in force, progress=progress)
            for sweep in settings.sweep
        ]
        mixes = make_mixes(settings, hero)
        files = write_mixes(delivery, mixes)
        laid: tuple[LaidFrame, ...] = ()
        if hero is not None and seen is not None and settings.light:
            laid, more = preview_or_recall(
                delivery, settings, hero, seen, built, mixes, options, force="preview" in force, progress=progress
            )
            files += more
        takes = {} if hero is None else {"hero": describe_take(hero.take.info, book, folder)}
    result = finish(
        delivery,
        built,
        settings=settings.model_dump(mode="json", by_alias=True),
        takes=takes,
        warnings=() if hero is None else hero.warnings,
        verdicts=() if seen is None else (seen.verdict,),
        mix=next(iter(mixes.values()), None),
        laid=laid,
        files=files,
    )
    write_json(kept, {**asdict(result), "out": None})
    book.record("shot", inputs, result.files)
    return result


def shot_inputs(book: StageBook, settings: ShotSettings, options: BuildOptions) -> dict[str, Any]:
    """Return everything that the whole build depends on."""
    named = [getattr(settings.takes, name) for name in type(settings.takes).model_fields]
    takes = [take for take in (*named, *settings.sweep) if take is not None]
    mixes = [settings.locate(light.mix.file) for light in settings.light if light.mix.file is not None]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "settings": settings.model_dump(mode="json", by_alias=True),
        "takes": [book.identify(settings.take_paths(take)) for take in takes],
        "mixes": book.identify(mixes),
        "reading": describe_reading(options),
    }


def recall_result(out: Path, kept: Path) -> BuildResult:
    """Return the result of the build that is still current."""
    known = read_json(kept)
    return BuildResult(
        out=out,
        files=tuple(known["files"]),
        warnings=tuple(known["warnings"]),
        verdicts=tuple(Verdict(v["take"], v["grade"], tuple(v["sentences"])) for v in known["verdicts"]),
        numbers=known["numbers"],
    )


def check_inputs(settings: ShotSettings) -> None:
    """Refuse a shot file that asks for nothing, or names files that are not there."""
    if not settings.sweep:
        raise SettingError(f"{settings.path}: asks for nothing; add a [[sweep]] with its path")
    takes = [t for t in (settings.takes.hero, settings.takes.empty) if t is not None]
    for take in (*takes, *settings.sweep):
        for path in settings.take_paths(take):
            if not path.exists() and "#" not in path.name and "%" not in path.name:
                raise MissingInput(f"{path}: nothing is there; check the path in {settings.path.name}")


def sweep_inputs(
    book: StageBook, settings: ShotSettings, sweep: Sweep, hero: HeroPart | None, options: BuildOptions
) -> dict[str, Any]:
    """Return everything that a sweep's result depends on, for deciding whether it is current."""
    empty = settings.takes.empty
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version, len(settings.sweep) == 1],
        "sweep": sweep.model_dump(mode="json"),
        "files": book.identify(settings.take_paths(sweep)),
        "empty": None if empty is None else describe_input(book, settings, empty),
        "hero": None if hero is None else hero.describe_inputs(book),
        "working": settings.shot.working,
        "reading": describe_reading(options),
    }


def describe_input(book: StageBook, settings: ShotSettings, take: TakeSettings) -> list[Any]:
    """Return a take's settings and the identities of its files."""
    return [take.model_dump(mode="json"), book.identify(settings.take_paths(take))]


def build_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    sweep: Sweep,
    hero: HeroPart | None,
    seen: HeroLook | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> BuiltSweep:
    """Build one sweep, or take it from the scratch folder where nothing that it depends on changed."""
    book, scratch = delivery.book, delivery.folder.scratch_folder(f"sweep_{sweep.name}")
    inputs = sweep_inputs(book, settings, sweep, hero, options)
    kept = scratch / "built.npz"
    if not force and book.is_current(f"sweep {sweep.name}", inputs):
        progress.say(f"{sweep.name}: unchanged")
        built: BuiltSweep = recall_record(kept)
        return built
    empty = settings.takes.empty
    request = SweepRequest(
        settings=sweep,
        paths=settings.take_paths(sweep),
        empty=None if empty is None else (empty, settings.take_paths(empty)),
        origin=None if seen is None else seen.origin,
        working=working_space(settings, hero),
        options=options,
    )
    outcome = build_sweep(request, scratch, progress=progress)
    built = deliver_sweep(delivery, sweep, outcome, only_one=len(settings.sweep) == 1, progress=progress)
    keep_record(kept, built)
    outputs = [name for name, _ in built.files] + [str(kept.relative_to(delivery.folder.path))]
    book.record(f"sweep {sweep.name}", inputs, outputs)
    return built


def working_space(settings: ShotSettings, hero: HeroPart | None) -> str | None:
    """Return the primaries that everything is made in; None leaves each sweep in its own."""
    if settings.shot.working != "hero":
        return settings.shot.working
    return None if hero is None else hero.working


def make_mixes(settings: ShotSettings, hero: HeroPart | None) -> dict[str, MixCurve]:
    """Return each light's mix over the shot's frames; without a hero there is no time and no mix."""
    if hero is None:
        return {}
    first, last = hero.frames
    return {light.name: make_mix(light.mix, first, last, settings) for light in settings.light}


def make_mix(mix: Mix, first: int, last: int, settings: ShotSettings) -> MixCurve:
    """Return one mix curve over shot frames ``first`` to ``last``."""
    if mix.file is not None:
        return cut_mix(read_mix(settings.locate(mix.file)), first, last, mix.file)
    if mix.envelope is not None:
        e = mix.envelope
        return make_envelope(
            e.start,
            attack=e.attack,
            hold=e.hold,
            decay=e.decay,
            peak=mix.peak_level,
            first=first,
            last=last,
            unit=mix.unit,
        )
    return make_curve(mix.curve_points, first=first, last=last, unit=mix.unit)


def cut_mix(mix: MixCurve, first: int, last: int, name: str) -> MixCurve:
    """Return a table's mix over the shot's frames. Raises SettingError where it does not cover them."""
    start, end = mix.first_frame, mix.first_frame + len(mix.gains) - 1
    if start > first or end < last:
        raise SettingError(f"{name}: holds frames {start} to {end}, the shot needs {first} to {last}")
    return MixCurve(first, mix.gains[first - start : last - start + 1])


def write_mixes(delivery: Delivery, mixes: dict[str, MixCurve]) -> list[tuple[str, str]]:
    """Write each light's mix as table and plot; return names and what they are."""
    files = []
    for name, mix in mixes.items():
        stem = delivery.stem("mix", None if len(mixes) == 1 else name)
        write_mix(delivery.folder.file(f"{stem}.csv"), mix)
        write_whole(delivery.folder.file(f"{stem}.png"), plot_mix(mix, form="png", ground="paper"))
        files += [(f"{stem}.csv", "mix: gain and stops per shot frame"), (f"{stem}.png", "the mix drawn")]
    return files


def preview_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    mixes: dict[str, MixCurve],
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> tuple[tuple[LaidFrame, ...], list[tuple[str, str]]]:
    """Render preview and contact sheet, or recall them where nothing that they depend on changed."""
    book, folder = delivery.book, delivery.folder
    movie, sheet = delivery.stem("preview") + ".mp4", delivery.stem("contact_sheet") + ".png"
    files = [(movie, "preview: the hero with the light"), (sheet, "before and after at a few frames")]
    kept = folder.scratch_folder("preview") / "laid.npz"
    inputs = {
        "schema": SCHEMA,
        "version": __version__,
        "plates": [book.identity(folder.file(b.plate)) for b in built],
        "lights": [light.model_dump(mode="json") for light in settings.light],
        "mixes": {name: [mix.first_frame, mix.gains.tolist()] for name, mix in mixes.items()},
        "preview": settings.preview.model_dump(mode="json"),
        "hero": hero.describe_inputs(book),
        "frames": [*hero.frames, settings.shot.first_frame, str(settings.shot.rate)],
        "reading": describe_reading(options),
    }
    if not force and book.is_current("preview", inputs):
        progress.say("preview: unchanged")
        return recall_record(kept).frames, files
    lights = [load_light(light, built, mixes[light.name], delivery) for light in settings.light]
    first, last = hero.frames
    laid = render_preview(
        hero.take,
        lights,
        frames=hero.frames,
        first_frame=settings.shot.first_frame,
        path=folder.file(movie),
        quality=settings.preview.quality,
        rate=settings.shot.rate,
        sheet_frames=pick_sheet_frames(mixes[settings.light[0].name], first, last, settings.preview.frames),
        working=hero.working,
        registration=seen.registration,
        view=settings.preview.view,
        config=options.ocio,
        progress=progress,
    )
    write_png(folder.file(sheet), make_contact_sheet(laid))
    keep_record(kept, LaidFrames(tuple(laid)))
    book.record("preview", inputs, [movie, sheet, str(kept.relative_to(folder.path))])
    return tuple(laid), files


def load_light(light: Light, built: Sequence[BuiltSweep], mix: MixCurve, delivery: Delivery) -> LaidLight:
    """Read a light's plate back as it was written, so that the preview shows the file and nothing else."""
    source = next(b for b in built if light.source in ("", b.report.name))
    channels = read_exr(delivery.folder.file(source.plate))
    plate = np.stack([channels[c] for c in "RGB"], axis=-1).astype(np.float32)
    return LaidLight(light.name, plate * np.asarray(light.gel, np.float32), mix, light.lay, light.screen_white)
