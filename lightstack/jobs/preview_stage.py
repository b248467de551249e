"""Preview and contact sheet as a stage of the build: recalled where nothing that they depend on changed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from lightstack import __version__
from lightstack.errors import SettingError
from lightstack.files.keep import keep_record, recall_or_none
from lightstack.files.plates import read_exr, write_png
from lightstack.files.schema import Light, ShotSettings
from lightstack.jobs.finish import Delivery
from lightstack.jobs.hero import HeroPart, describe_reading
from lightstack.jobs.laying import LaidLight, pick_sheet_frames, render_preview
from lightstack.jobs.options import BuildOptions
from lightstack.jobs.patch_stage import ShotPatches
from lightstack.jobs.sweep_stage import SCHEMA
from lightstack.records import BuiltSweep, HeroLook, LaidFrame, LaidFrames, MixCurve, Progress
from lightstack.report.pictures import make_contact_sheet


def preview_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    mixes: dict[str, MixCurve],
    options: BuildOptions,
    *,
    patched: ShotPatches | None = None,
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
    if patched is not None:
        inputs["patches"] = patched.inputs
    if not force and book.is_current("preview", inputs):
        known = recall_or_none(kept, LaidFrames, progress=progress)
        if known is not None:
            progress.say("preview: unchanged")
            return known.frames, files
    laid = render_lights(
        delivery,
        settings,
        hero,
        seen,
        built,
        mixes,
        options,
        patched=patched,
        path=folder.file(movie),
        progress=progress,
    )
    write_png(folder.file(sheet), make_contact_sheet(laid))
    keep_record(kept, LaidFrames(tuple(laid)))
    book.record("preview", inputs, [movie, sheet, str(kept.relative_to(folder.path))])
    return tuple(laid), files


def check_sheet_frames(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse contact-sheet frames that the preview does not have. Raises SettingError naming them."""
    first, last = hero.frames
    outside = [str(frame) for frame in settings.preview.frames if not first <= frame <= last]
    if outside:
        raise SettingError(
            f"{settings.path}: [preview] frames names {', '.join(outside)}, outside the shot's frames {first} to {last}"
            "; write shot frames, or leave the key out"
        )


def render_lights(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    mixes: dict[str, MixCurve],
    options: BuildOptions,
    *,
    patched: ShotPatches | None,
    path: Path,
    progress: Progress,
) -> list[LaidFrame]:
    """Render the preview movie with every patch and light of the shot; return the contact sheet's frames."""
    lights = [load_light(light, built, mixes[light.name], delivery) for light in settings.light]
    first, last = hero.frames
    return render_preview(
        hero.take,
        lights,
        frames=hero.frames,
        first_frame=settings.shot.first_frame,
        path=path,
        quality=settings.preview.quality,
        rate=settings.shot.rate,
        sheet_frames=pick_sheet_frames([laid.mix for laid in lights], first, last, settings.preview.frames),
        working=hero.working,
        registration=seen.registration,
        patches=() if patched is None else patched.layers,
        view=settings.preview.view,
        config=options.ocio,
        progress=progress,
    )


def load_light(light: Light, built: Sequence[BuiltSweep], mix: MixCurve, delivery: Delivery) -> LaidLight:
    """Read a light's plate back as it was written, so that the preview shows the file and nothing else."""
    source = next(b for b in built if light.source in ("", b.report.name))
    channels = read_exr(delivery.folder.file(source.plate))
    plate = np.stack([channels[c] for c in "RGB"], axis=-1).astype(np.float32)
    return LaidLight(light.name, plate * np.asarray(light.gel, np.float32), mix, light.lay, light.screen_white)
