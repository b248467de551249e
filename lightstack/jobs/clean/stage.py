"""The shot's clean plate as a stage of the build: recalled where nothing that it depends on changed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from lightstack import __version__
from lightstack.errors import SettingError
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import ShotSettings
from lightstack.jobs.clean.clean import CleanRequest, CleanTake, make_clean
from lightstack.jobs.clean.results import describe_clean, judge_clean, report_clean, warn_clean, write_clean
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading
from lightstack.jobs.stage.sweep_stage import describe_input, working_space
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltClean, HeroLook, Progress

__all__ = ["check_clean", "clean_or_recall", "name_material"]


def name_material(settings: ShotSettings) -> tuple[str, ...]:
    """Return the names of the takes that the clean plate is made of."""
    assert settings.clean is not None
    if settings.clean.takes:
        return settings.clean.takes
    return ("clean",) if settings.takes.clean is not None else ("hero",)


def check_clean(settings: ShotSettings) -> None:
    """Refuse a clean plate of takes that the shot does not have. Raises SettingError."""
    if settings.clean is None:
        return
    for name in name_material(settings):
        if getattr(settings.takes, name) is None:
            raise SettingError(
                f"{settings.path}: [clean] needs [takes.{name}], which is not there; add it, or name others in `takes`"
            )


def clean_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart | None,
    seen: HeroLook | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> BuiltClean | None:
    """Make the clean plate, or take it from the scratch folder; None where the shot asks for none."""
    if settings.clean is None:
        return None
    book, scratch = delivery.book, delivery.folder.scratch_folder("clean")
    inputs = clean_inputs(book, settings, hero, options)
    kept = scratch / "built.npz"
    if not force and book.is_current("clean", inputs):
        known = recall_or_none(kept, BuiltClean, progress=progress)
        if known is not None:
            progress.say("clean: unchanged")
            return known
    built = build_clean(delivery, settings, hero, seen, options, scratch, progress=progress)
    keep_record(kept, built)
    book.record("clean", inputs, [name for name, _ in built.files] + [str(kept.relative_to(delivery.folder.path))])
    return built


def clean_inputs(
    book: StageBook, settings: ShotSettings, hero: HeroPart | None, options: BuildOptions
) -> dict[str, Any]:
    """Return everything that the clean plate depends on."""
    assert settings.clean is not None
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version],
        "clean": settings.clean.model_dump(mode="json"),
        "takes": {
            name: describe_input(book, settings, getattr(settings.takes, name)) for name in name_material(settings)
        },
        "hero": None if hero is None else hero.describe_inputs(book),
        "working": settings.shot.working,
        "reading": describe_reading(options),
    }


def build_clean(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart | None,
    seen: HeroLook | None,
    options: BuildOptions,
    scratch: Path,
    *,
    progress: Progress,
) -> BuiltClean:
    """Make the clean plate and write it."""
    assert settings.clean is not None
    wish = settings.clean
    request = CleanRequest(
        takes=tuple(
            CleanTake(take, settings.take_paths(take), name)
            for name in name_material(settings)
            if (take := getattr(settings.takes, name)) is not None
        ),
        method=wish.method,
        frames=wish.frames,
        most_frames=wish.most_frames,
        fill=wish.fill,
        origin=None if seen is None else seen.origin,
        working=working_space(settings, hero),
        options=options,
    )
    outcome = make_clean(request, scratch, progress=progress)
    stem = delivery.stem("clean")
    files = write_clean(delivery.folder.path, stem, outcome)
    return BuiltClean(
        plate=files[0][0],
        files=tuple(files),
        numbers=json.dumps(describe_clean(outcome)),
        verdict=judge_clean("clean plate", outcome),
        warnings=tuple(line for line in warn_clean("clean plate", outcome) if not line.startswith("hero:")),
        report=report_clean(outcome),
    )
