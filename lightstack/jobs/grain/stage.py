"""The shot's grain as a stage of the build: measured from a take or read, recalled where nothing changed."""

from __future__ import annotations

from typing import Any

from lightstack import __version__
from lightstack.errors import MissingInput, SettingError, UnusableTake
from lightstack.files.folder import read_json, write_json, write_whole
from lightstack.files.kept.grain_profiles import read_grain, write_grain
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import ShotSettings
from lightstack.jobs.grain.grain import measure_grain
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading
from lightstack.jobs.stage.sweep_stage import describe_input
from lightstack.jobs.takes.footage import open_fitted, resolve_ranges
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import GrainProfile, HeroLook, Progress
from lightstack.report.grain_plot import plot_grain

__all__ = ["check_grain", "grain_or_recall", "list_grain_files"]

WAY = 2  # raised when what is measured from the same footage changes


def check_grain(settings: ShotSettings) -> None:
    """Refuse grain of a take that the shot does not have, or a profile that cannot be read.

    Raises SettingError, MissingInput, UnreadableInput.
    """
    wish = settings.grain
    if wish is None:
        return
    if settings.takes.hero is None:
        raise SettingError(f"{settings.path}: [grain] needs [takes.hero], which is not there; add it, or leave it out")
    if wish.profile is not None:
        read_grain(settings.locate(wish.profile))
    elif getattr(settings.takes, wish.measure) is None:
        raise SettingError(
            f'{settings.path}: grain.measure = "{wish.measure}" needs [takes.{wish.measure}], which is not there; '
            "add it, or measure another take"
        )


def grain_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart | None,
    seen: HeroLook | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> GrainProfile | None:
    """Return the shot's grain profile; None where it asks for none, or has no hero to lay it on.

    Raises
    ------
    UnusableTake, UnreadableInput, MissingInput
        Where grain cannot be measured, or the profile that is named cannot be used.
    """
    if settings.grain is None or hero is None:
        return None
    book = delivery.book
    inputs = grain_inputs(book, settings, hero, options)
    scratch = delivery.folder.scratch_folder("grain")
    kept, refused = scratch / "profile.npz", scratch / "refused.json"
    said = str(refused.relative_to(delivery.folder.path))
    if not force and book.is_current("grain", inputs):
        if said in book.list_outputs("grain"):
            raise UnusableTake(str(read_json(refused).get("why")))
        known = recall_or_none(kept, GrainProfile, progress=progress)
        if known is not None:
            progress.say("grain: unchanged")
            return known
    try:
        profile = find_profile(settings, hero, seen, options, progress=progress)
    except UnusableTake as error:
        write_json(refused, {"why": str(error)})  # a result too: the same take would only say so again
        book.record("grain", inputs, [said])
        raise
    write_grain(delivery.folder.path / list_grain_files(delivery)[0][0], profile)
    write_whole(delivery.folder.path / list_grain_files(delivery)[1][0], plot_grain(profile))
    keep_record(kept, profile)
    names = [name for name, _ in list_grain_files(delivery)]
    book.record("grain", inputs, [*names, str(kept.relative_to(delivery.folder.path))])
    return profile


def list_grain_files(delivery: Delivery) -> tuple[tuple[str, str], ...]:
    """Return the files that the stage writes and what they are."""
    stem = delivery.stem("grain")
    return (f"{stem}.json", "grain profile"), (f"{stem}.png", "grain over level, plotted")


def grain_inputs(book: StageBook, settings: ShotSettings, hero: HeroPart, options: BuildOptions) -> dict[str, Any]:
    """Return everything that the profile depends on: not how much of it is laid, nor its seed."""
    wish = settings.grain
    assert wish is not None
    named = None if wish.profile is None else settings.locate(wish.profile)
    if named is not None and not named.is_file():
        raise MissingInput(f"{named}: no such file; make one with `lightstack grain measure TAKE -o {named.name}`")
    take = getattr(settings.takes, wish.measure) if named is None else None
    return {
        "schema": SCHEMA,
        "way": WAY,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version],
        "measure": wish.measure,
        "profile": None if named is None else book.identify((named,)),
        "take": None if take is None else describe_input(book, settings, take),
        "hero": hero.describe_inputs(book),
        "reading": describe_reading(options),
    }


def find_profile(
    settings: ShotSettings, hero: HeroPart, seen: HeroLook | None, options: BuildOptions, *, progress: Progress
) -> GrainProfile:
    """Read the profile that is named, or measure the take that is."""
    wish = settings.grain
    assert wish is not None
    if wish.profile is not None:
        profile = read_grain(settings.locate(wish.profile))
        check_space(settings, profile, hero)
        return profile
    if wish.measure == "hero":
        use = None if hero.settings.use is None else resolve_ranges([hero.settings.use], hero.take, what="use")[0]
        registration = None if seen is None else seen.registration
        return measure_grain(hero.fitted, use=use, registration=registration, progress=progress)
    take = getattr(settings.takes, wish.measure)
    paths = settings.take_paths(take)
    # at its own size: scaling would change its grain
    with open_fitted(take, paths, name=wish.measure, size=None, working=hero.working, options=options) as fitted:
        if fitted.size != hero.fitted.size:
            raise SettingError(
                f"{paths[0]}: has {fitted.size[1]} x {fitted.size[0]} pixels, the hero has {hero.fitted.size[1]} x "
                f'{hero.fitted.size[0]}: its grain is of another coarseness; use grain.measure = "hero"'
            )
        use = None if take.use is None else resolve_ranges([take.use], fitted.take, what="use")[0]
        return measure_grain(fitted, use=use, progress=progress)


def check_space(settings: ShotSettings, profile: GrainProfile, hero: HeroPart) -> None:
    """Refuse a profile in other primaries than the shot's. Raises SettingError."""
    if profile.primaries != hero.working:
        raise SettingError(
            f"{settings.path}: the grain profile of {profile.take} is in {profile.primaries}, the shot in "
            f"{hero.working}; measure it in a take of this camera, or leave grain.profile out"
        )
