"""`lightstack build`: everything that a shot file asks for; what did not change is skipped."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import MARK, OutFolder, claimed_folder, write_json
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.response import read_response
from lightstack.files.shot.schema import Render, ShotSettings
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.clean.stage import check_clean, clean_or_recall
from lightstack.jobs.element.stage import check_elements
from lightstack.jobs.grain.stage import check_grain
from lightstack.jobs.holdout.figure_light import check_figure_light
from lightstack.jobs.holdout.stage import check_holdout
from lightstack.jobs.light.files import check_light_files
from lightstack.jobs.light.show import report_lights
from lightstack.jobs.mix.followers import check_follow_files
from lightstack.jobs.mix.mixes import drop_former, make_mixes, write_mixes
from lightstack.jobs.patch.stage import check_patches
from lightstack.jobs.shot.frame_tasks import LIGHT, MadeFrames, check_movie, check_sheet_frames
from lightstack.jobs.shot.frames_stage import RenderWish, check_render_frames, make_frames
from lightstack.jobs.shot.shot_parts import PartsRequest, ShotParts, gather_parts
from lightstack.jobs.stage.finish import Delivery, ShotTold, finish
from lightstack.jobs.stage.hero import HeroPart, look_at_hero, open_hero
from lightstack.jobs.stage.manifest import describe_take
from lightstack.jobs.stage.named_files import (
    list_figure_files,
    list_hand_files,
    list_patch_files,
)
from lightstack.jobs.stage.standing import RESULT, recall_result, shot_inputs
from lightstack.jobs.stage.sweep_stage import build_or_recall
from lightstack.jobs.takes.machines import find_cluster, noted_run
from lightstack.jobs.takes.options import BuildOptions, BuildResult, check_ocio
from lightstack.records import BuiltClean, HeroLook, Progress


def build_shot(
    shot_path: Path,
    *,
    options: BuildOptions,
    progress: Progress,
    redo: str | None = None,
    render: RenderWish | None = None,
    flash: bool = False,
) -> BuildResult:
    """Build a shot: every sweep's plate, the mixes, the shot's frames, the preview, the report.

    ``redo``: the one stage to build again though nothing changed ("preview"); with ``options.force`` all. ``render``:
    which frames to write; without a `[render]` in the shot file its defaults hold then. ``flash``: check for flashes
    whatever the shot file says.

    Raises
    ------
    LightstackError
        For a shot file or footage that cannot be used; finished results of earlier stages stay.
    """
    settings = read_shot(shot_path)
    if render is not None:
        settings = ask_for_frames(settings)
    if flash and not settings.flash.check:
        settings = settings.with_section(flash=settings.flash.model_copy(update={"check": True}))
    check_inputs(settings)
    check_clean(settings)
    check_grain(settings)
    check_ocio(options)
    with claimed_folder(settings.out, progress) as folder:
        wish = render or RenderWish()
        return build_into(folder, settings, options=options, progress=progress, redo=redo, wish=wish)


def ask_for_frames(settings: ShotSettings) -> ShotSettings:
    """Return the settings with a `[render]`, the defaults where there is none. Raises SettingError without a hero."""
    if settings.takes.hero is None:
        raise SettingError(f"{settings.path}: has no [takes.hero]; frames are rendered over a hero, so name one")
    if settings.render is not None:
        return settings
    return settings.with_section(render=Render())


def build_into(
    folder: OutFolder,
    settings: ShotSettings,
    *,
    options: BuildOptions,
    progress: Progress,
    redo: str | None,
    wish: RenderWish,
) -> BuildResult:
    """Build checked settings into an output folder, as `build_shot` says."""
    force: set[str | None] = {"sweep", "preview"} if options.force and redo is None else {redo}
    book = StageBook(folder, verify=options.verify)
    inputs = shot_inputs(book, settings, options)
    kept = folder.scratch / RESULT
    if book.broken:
        progress.say(f"{folder.scratch / MARK}: cannot be read whole; what it does not know is built again")
    if not force - {None} and wish.frames is None and book.is_current("shot", inputs):
        known = recall_result(folder.path, kept, progress=progress)
        if known is not None:
            if book.learned:  # touched, and found to be the same: read once, not at every build
                book.save()
            return known
    shot = settings.shot
    delivery = Delivery(folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
    address, workers = find_cluster(settings)
    with noted_run(options, folder, address=address, workers=workers, progress=progress) as (used, timed):
        result = build_stages(delivery, settings, used, wish=wish, force=force, progress=timed)
    if wish.frames is None:
        clear_former(delivery, result.files, progress=progress)
        write_json(kept, {**asdict(result), "out": None})
        book.record("shot", inputs, result.files)
    return result


def clear_former(delivery: Delivery, files: Sequence[str], *, progress: Progress) -> None:
    """Remove the mixes of lights that are no more; tell of what else the last build of this version wrote and this one
    did not, which took longer to make. Numbered frames are told of where they are written."""
    former = delivery.book.list_outputs("shot")
    drop_former(delivery, former, files)
    left = [
        name
        for name in sorted(set(former) - set(files))
        if Path(name).stem.endswith(delivery.suffix) and delivery.folder.file(name).is_file()
    ]
    if left:
        are = f" and {len(left) - 1} more files are" if left[1:] else " is"
        said = f"{left[0]}{are} of an earlier build and no part of this one; remove what nobody needs"
        progress.say(f"{delivery.folder.path}: {said}")


def build_stages(
    delivery: Delivery,
    settings: ShotSettings,
    options: BuildOptions,
    *,
    wish: RenderWish,
    force: set[str | None],
    progress: Progress,
) -> BuildResult:
    """Build every stage that is not current, or that ``force`` names, and what is written over all of them."""
    book, again = delivery.book, "sweep" in force
    with open_hero(settings, options) as hero:
        seen = None
        if hero is not None:
            check_hero(settings, hero, options, wish)
            seen = look_at_hero(hero, delivery.folder, book, options, force=again, progress=progress)
        made_mixes = make_mixes(settings, hero, book=book, options=options, progress=progress)
        mixes = {name: made_mix.curve for name, made_mix in made_mixes.items()}
        built = [
            build_or_recall(delivery, settings, sweep, hero, seen, options, force=again, progress=progress)
            for sweep in settings.sweep
        ]
        files = write_mixes(delivery, made_mixes)
        clean = clean_or_recall(delivery, settings, hero, seen, options, force=again, progress=progress)
        parts, made = ShotParts(delivery, built, mixes), MadeFrames()
        if hero is not None and seen is not None:
            asked = PartsRequest(delivery, settings, hero, seen, built, mixes, clean, options, again, progress)
            parts = gather_parts(asked)
            if settings.light or settings.patch or settings.render or parts.things is not None:
                made = make_frames(
                    delivery, settings, hero, seen, parts, options, wish=wish, force=force, progress=progress
                )
        takes = {} if hero is None else {"hero": describe_take(hero.take.info, book, delivery.folder)}
    lines = [line for made_mix in made_mixes.values() for line in made_mix.warnings]
    told = tell_shot(settings, hero, seen, clean, lines, parts, made)
    told = replace(told, takes={**takes, **parts.sources}, files=[*files, *told.files])
    book.check_steady()
    return finish(delivery, built, told)


def check_hero(settings: ShotSettings, hero: HeroPart, options: BuildOptions, wish: RenderWish) -> None:
    """Refuse what the opened hero shows to be impossible, before anything long begins. Raises SettingError."""
    check_sheet_frames(settings, hero)
    check_patches(settings, hero)
    check_holdout(settings, hero)
    check_figure_light(settings, hero)
    check_render_frames(hero, wish.frames)
    check_movie(settings, hero)
    check_elements(settings, hero, options)


def tell_shot(
    settings: ShotSettings,
    hero: HeroPart | None,
    seen: HeroLook | None,
    clean: BuiltClean | None,
    of_mixes: Sequence[str],
    parts: ShotParts,
    made: MadeFrames,
) -> ShotTold:
    """Return what is told of a shot beside its sweeps; ``of_mixes``: warnings."""
    return ShotTold(
        settings=settings.model_dump(mode="json", by_alias=True),
        primaries=None if hero is None else hero.working,
        warnings=(
            *(() if hero is None else hero.warnings),
            *(() if clean is None else clean.warnings),
            *of_mixes,
            *parts.warnings,
            *made.warnings,
        ),
        clean=None if clean is None else clean.report,
        verdicts=(*(() if seen is None else (seen.verdict,)), *(() if clean is None else (clean.verdict,))),
        findings=() if seen is None else seen.findings,
        mixes=parts.mixes,
        laid=made.laid.get(LIGHT, ()),
        patches=parts.report_patches(made.laid),
        holdout=None if parts.holdout.built is None else parts.holdout.built.report,
        lights=report_lights(parts.delivery.folder, settings, parts.built, parts.played),
        regels=parts.regels.reports,
        flash=made.flash,
        shows_frames=made.shown,
        files=[*(() if clean is None else clean.files), *parts.files, *made.files],
    )


def check_inputs(settings: ShotSettings) -> None:
    """Refuse a shot file that asks for nothing, or names files that are not there."""
    asked = (settings.sweep, settings.patch, settings.element, settings.clean, settings.render, settings.holdout)
    if not any(asked):
        raise SettingError(f"{settings.path}: asks for nothing; add a [[sweep]] with its path")
    takes = [t for t in (settings.takes.hero, settings.takes.empty) if t is not None]
    paths = [path for take in (*takes, *settings.sweep, *settings.element) for path in settings.take_paths(take)]
    for path in (*paths, *list_patch_files(settings), *list_hand_files(settings), *list_figure_files(settings)):
        if not path.exists() and "#" not in path.name and "%" not in path.name:
            raise MissingInput(f"{path}: nothing is there; check the path in {settings.path.name}")
    check_follow_files(settings)
    check_light_files(settings)
    if settings.element and settings.takes.hero is None:
        raise SettingError(f"{settings.path}: [[element]] needs [takes.hero]; without one use `lightstack element`")
    for take in settings.list_takes():
        if take.response_path is not None:
            read_response(take.response_path)  # a broken one is told before any footage is read
