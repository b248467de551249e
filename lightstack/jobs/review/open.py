"""A built shot opened for the review page: everything is recalled, nothing long is made."""

from __future__ import annotations

from contextlib import AbstractContextManager, ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from threading import Condition

from lightstack.errors import LightstackError, MissingInput, SettingError
from lightstack.files.folder import MARK, OutFolder
from lightstack.files.folder_lock import PAGE, held_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import recall_or_none
from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.clean.stage import clean_or_recall
from lightstack.jobs.light.lamp_places import StillPlaces, places_are_current, places_or_recall
from lightstack.jobs.mix.mixes import LightMix, make_mixes
from lightstack.jobs.shot.build import check_inputs
from lightstack.jobs.shot.flash_sink import kept_flash
from lightstack.jobs.shot.shot_parts import PartsRequest, ShotParts, gather_parts
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart, look_at_hero, open_hero
from lightstack.jobs.stage.sweep_stage import sweep_inputs
from lightstack.jobs.takes.options import BuildOptions, check_ocio
from lightstack.records import BuiltSweep, FlashReport, HeroLook, Progress, Step

__all__ = ["Precedence", "ReviewShot", "fit_proxy", "list_lights", "open_review", "say_build_first", "see_built"]

SHORT = ("follow ", "plate of ", "re-gel ", "stills made ready", "where the lamp was")
OWN = ("follow ", "filled stills ", "lamp places ", "light plate ")  # stages that a page may bring up to date itself
APART = (*OWN, "frames", "movie", "preview", "holdout shown")  # and those that it does not read
MOST_LONG, MOST_SHORT = 1280, 720  # pixels of the pictures that a page is sent


@dataclass(eq=False)
class ReviewShot:
    """A built shot as the page sees it.

    ``settings``: as it was built; ``file_settings``: as the shot file is now. ``size`` (H, W) in full, ``proxy`` (h, w)
    as sent. ``places``: by sweep, where they are known. ``made``: what tells this build from the next.
    """

    path: Path
    settings: ShotSettings
    file_settings: ShotSettings
    delivery: Delivery
    options: BuildOptions
    hero: HeroPart | None
    seen: HeroLook | None
    built: tuple[BuiltSweep, ...]
    mixes: dict[str, LightMix]
    parts: ShotParts
    places: dict[str, StillPlaces]
    flash: FlashReport | None
    size: tuple[int, int]
    proxy: tuple[int, int]
    made: str
    first: Precedence = field(default_factory=lambda: Precedence())
    opened: ExitStack = field(default_factory=ExitStack)

    @property
    def frames(self) -> tuple[int, int]:
        """First and last shot frame; a shot without a hero has one frame, its sweep's unlit set."""
        first = self.settings.shot.first_frame
        return (first, first) if self.hero is None else self.hero.frames

    def find_built(self, sweep: str) -> BuiltSweep:
        """Return a built sweep by its name. Raises MissingInput."""
        for built in self.built:
            if built.report.name == sweep:
                return built
        raise MissingInput(f"there is no sweep {sweep!r} in this shot")

    def find_light(self, name: str) -> Light:
        """Return a light, or a sweep that has none, by its name. Raises MissingInput."""
        for light in list_lights(self.file_settings):
            if light.name == name:
                return light
        raise MissingInput(f"there is no light {name!r} in this shot")

    def close(self) -> None:
        """Close the hero."""
        self.opened.close()


def open_review(shot_path: Path, *, options: BuildOptions, progress: Progress) -> ReviewShot:
    """Open a shot as it was last built.

    Raises MissingInput with one line where it was not, or where takes or sweeps have changed since; as readers do.
    """
    settings = read_shot(shot_path)
    progress = ShortWork(shot_path, progress)
    check_inputs(settings)
    check_ocio(options)
    folder = OutFolder(settings.out)
    if not (folder.scratch / MARK).is_file():
        raise MissingInput(say_build_first(shot_path, "is not built yet"))
    shot = settings.shot
    with held_folder(folder.scratch, PAGE), ExitStack() as stack:  # no build changes meanwhile what is read
        book = StageBook(folder, verify=options.verify)
        delivery = Delivery(folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
        hero = stack.enter_context(open_hero(settings, options))
        opened = recall_shot(delivery, settings, hero, options, progress)
        opened.opened = stack.pop_all()
        return opened


def recall_shot(
    delivery: Delivery, settings: ShotSettings, hero: HeroPart | None, options: BuildOptions, progress: Progress
) -> ReviewShot:
    """Return everything of a shot as it was built. Raises MissingInput for what is not current."""
    book, folder = delivery.book, delivery.folder
    built = tuple(recall_sweep(delivery, settings, sweep.name, hero, options, progress) for sweep in settings.sweep)
    if hero is None and not built:
        raise SettingError(f"{settings.path}: has neither a hero nor a sweep, so there is nothing to look at")
    seen, mixes, parts = None, {}, ShotParts(delivery, built, {})
    if hero is not None:
        seen = look_at_hero(hero, folder, book, options, force=False, progress=progress)
        mixes = make_mixes(settings, hero, book=book, options=options, progress=progress)
        clean = clean_or_recall(delivery, settings, hero, seen, options, force=False, progress=progress)
        curves = {name: mix.curve for name, mix in mixes.items()}
        parts = gather_parts(
            PartsRequest(delivery, settings, hero, seen, built, curves, clean, options, False, progress)
        )
    size = hero.fitted.size if hero is not None else size_of(built[0])
    return ReviewShot(
        path=settings.path,
        settings=settings,
        file_settings=settings,
        delivery=delivery,
        options=options,
        hero=hero,
        seen=seen,
        built=built,
        mixes=mixes,
        parts=parts,
        places=recall_places(delivery, settings, built, progress),
        flash=kept_flash(settings.out, progress=progress) if book.list_outputs("flash") else None,
        size=size,
        proxy=fit_proxy(size),
        made=see_built(book),
    )


def see_built(book: StageBook) -> str:
    """Return what tells one build from another, as far as a page reads it and does not make it itself."""
    return book.fingerprint(apart=APART)


class Precedence:
    """What somebody waits for goes before what is made ahead: ``with`` it round the one, ``wait`` before the other."""

    def __init__(self) -> None:
        self._count, self._changed = 0, Condition()

    def __enter__(self) -> None:
        with self._changed:
            self._count += 1

    def __exit__(self, *_: object) -> None:
        with self._changed:
            self._count -= 1
            self._changed.notify_all()

    def wait(self, seconds: float) -> bool:
        """Wait until nobody waits for anything, at most so long; tell whether that is so."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._count, seconds)


class ShortWork:
    """Progress that refuses long work: what needs it is not built, or not any more."""

    def __init__(self, shot_path: Path, progress: Progress) -> None:
        self._path, self._progress = shot_path, progress

    def say(self, line: str, *, level: int = 0) -> None:
        """Say what is unchanged only to whoever asks for more."""
        self._progress.say(line, level=max(level, 1))

    def step(self, name: str, total: int | None) -> AbstractContextManager[Step]:
        """Show a short piece of work. Raises MissingInput for any other."""
        if not name.startswith(SHORT):
            why = f"what its frames are made of is not built yet, or has changed since ({name})"
            raise MissingInput(say_build_first(self._path, why))
        return self._progress.step(name, total)


def say_build_first(shot_path: Path, why: str) -> str:
    """Return the one line that says to build a shot."""
    return f"{shot_path}: {why}; build it first: lightstack build {shot_path}"


def recall_sweep(
    delivery: Delivery,
    settings: ShotSettings,
    name: str,
    hero: HeroPart | None,
    options: BuildOptions,
    progress: Progress,
) -> BuiltSweep:
    """Return a sweep as it was built. Raises MissingInput where it is not current."""
    sweep = settings.find_sweep(name)
    kept = delivery.folder.scratch_folder(f"sweep_{name}") / "built.npz"
    if not kept.is_file():
        raise MissingInput(say_build_first(settings.path, f"its sweep {name} is not built yet"))
    current = delivery.book.is_current(
        f"sweep {name}", sweep_inputs(delivery.book, settings, sweep, hero, options)
    )
    built = recall_or_none(kept, BuiltSweep, progress=progress) if current else None
    if built is None:
        raise MissingInput(say_build_first(settings.path, f"its sweep {name} has changed since it was built"))
    return built


def recall_places(
    delivery: Delivery, settings: ShotSettings, built: tuple[BuiltSweep, ...], progress: Progress
) -> dict[str, StillPlaces]:
    """Return where the lamp was in every sweep for which that is known already."""
    found = {}
    for one in built:
        sweep = settings.find_sweep(one.report.name)
        with suppress(LightstackError):
            if places_are_current(delivery, sweep, one):
                found[sweep.name] = places_or_recall(delivery, sweep, one, force=False, progress=progress)
    return found


def list_lights(settings: ShotSettings) -> tuple[Light, ...]:
    """Return the lights of a shot, and one for every sweep that no light comes from, so that it can be looked at."""
    used = {light.source for light in settings.light}
    taken = {light.name for light in settings.light}
    bare = [sweep.name for sweep in settings.sweep if sweep.name not in used and sweep.name not in taken]
    return (*settings.light, *(Light.model_validate({"name": name, "from": name}) for name in bare))


def size_of(built: BuiltSweep) -> tuple[int, int]:
    """Return the full size (H, W) of a sweep's pictures."""
    pictures = built.report.pictures
    return pictures.full_size or (pictures.plate.shape[0], pictures.plate.shape[1])


def fit_proxy(size: tuple[int, int]) -> tuple[int, int]:
    """Return the size (h, w) at which pictures are sent: within 1280 x 720, or that turned upright, never enlarged."""
    scale = min(1.0, MOST_LONG / max(size), MOST_SHORT / min(size))
    return max(1, round(size[0] * scale)), max(1, round(size[1] * scale))
