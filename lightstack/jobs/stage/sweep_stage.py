"""A shot's sweep as a stage of the build: taken from the scratch folder where nothing that it depends on changed."""

from __future__ import annotations

from typing import Any

from lightstack import __version__
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import ShotSettings, Sweep, TakeSettings
from lightstack.jobs.stage.deliver import deliver_sweep
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading, identify_take
from lightstack.jobs.sweep.sweep import SweepRequest, build_sweep
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, HeroLook, Progress


def sweep_inputs(
    book: StageBook, settings: ShotSettings, sweep: Sweep, hero: HeroPart | None, options: BuildOptions
) -> dict[str, Any]:
    """Return everything that a sweep's result depends on, for deciding whether it is current."""
    empty = settings.takes.empty
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version, len(settings.sweep) == 1],
        "sweep": sweep.model_dump(mode="json", exclude={"group", "travel_keys"}),
        "travels": sweep.travel_keys if travels(settings, sweep) else None,
        "files": identify_take(book, sweep, settings.take_paths(sweep)),
        "empty": None if empty is None else describe_input(book, settings, empty),
        "hero": None if hero is None else hero.describe_inputs(book),
        "working": settings.shot.working,
        "reading": describe_reading(options),
    }


def describe_input(book: StageBook, settings: ShotSettings, take: TakeSettings) -> list[Any]:
    """Return a take's settings and the identities of its files."""
    return [take.model_dump(mode="json"), identify_take(book, take, settings.take_paths(take))]


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
        known = recall_or_none(kept, BuiltSweep, progress=progress)
        if known is not None:
            progress.say(f"{sweep.name}: unchanged")
            return known
    empty = settings.takes.empty
    request = SweepRequest(
        settings=sweep,
        paths=settings.take_paths(sweep),
        empty=None if empty is None else (empty, settings.take_paths(empty)),
        origin=None if seen is None else seen.origin,
        working=working_space(settings, hero),
        options=options,
        travels=travels(settings, sweep),
    )
    outcome = build_sweep(request, scratch, progress=progress)
    book.check_steady()  # before anything takes the place of what was built before
    built = deliver_sweep(delivery, sweep, outcome, only_one=len(settings.sweep) == 1, progress=progress)
    keep_record(kept, built)
    own = [str(file.relative_to(delivery.folder.path)) for file in (kept, *outcome.stack.files)]
    outputs = [name for name, _ in built.files] + own
    book.record(f"sweep {sweep.name}", inputs, outputs)
    return built


def travels(settings: ShotSettings, sweep: Sweep) -> bool:
    """Tell whether a light travels through the sweep."""
    own = ("", sweep.name) if sweep is settings.sweep[0] else (sweep.name,)
    return any(light.using == "path" and light.source in own for light in settings.light)


def working_space(settings: ShotSettings, hero: HeroPart | None) -> str | None:
    """Return the primaries that everything is made in; None leaves each sweep in its own."""
    if settings.shot.working != "hero":
        return settings.shot.working
    return None if hero is None else hero.working
