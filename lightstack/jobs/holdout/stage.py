"""The hold-out as stages of the build: pulled once, then helped by hand and shown; recalled where nothing changed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack import __version__
from lightstack.errors import SettingError
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import Holdout, ShotSettings
from lightstack.jobs.holdout.holdout import HeldMatte
from lightstack.jobs.holdout.places import PullRequest
from lightstack.jobs.holdout.pull import pull_matte
from lightstack.jobs.holdout.set_picture import ShotSet, find_set_source
from lightstack.jobs.holdout.show import show_holdout
from lightstack.jobs.patch.hand_masks import HandWork
from lightstack.jobs.patch.placed_masks import PoseAt
from lightstack.jobs.patch.survey import survey_hero
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.named_files import list_hand_files
from lightstack.jobs.stage.standing import SCHEMA, describe_reading
from lightstack.jobs.takes.memory import plan_frame_workers
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.poses import pose_of
from lightstack.records import BuiltHoldout, HeroLook, Progress, ProxyTake, PulledMatte, Registration

__all__ = ["ShotHoldout", "check_holdout", "holdout_or_recall", "needs_holdout", "wanted_set"]

WAY = 1  # raised when what is pulled from the same footage changes
PACKED = "matte.bin"


@dataclass(frozen=True, slots=True)
class ShotHoldout:
    """A shot's hold-out after its stages: what frames ask, what it depends on, what was written and is to be said."""

    held: HeldMatte | None = None
    inputs: Any = None
    built: BuiltHoldout | None = None
    warnings: tuple[str, ...] = ()


def needs_holdout(settings: ShotSettings) -> bool:
    """Tell whether a shot wants a hold-out: it says so, or has a light that must not fall on what stands in front."""
    wish = settings.holdout
    if wish is None:
        figures = settings.render is not None and "figure" in settings.render.elements
        tossed = any(element.lay or element.wishes.avoid_figure for element in settings.element)
        return settings.takes.hero is not None and (bool(settings.light) or figures or tossed)
    return wish.pulls or wish.by_hand


def wanted_set(settings: ShotSettings) -> str:
    """Return what the shot's picture of the bare set is to come from, as `find_set_source` takes it."""
    wish = settings.holdout
    return "auto" if wish is None or wish.source == "none" else wish.source


def check_holdout(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse hand work that cannot be used, and elements that nothing shows, before anything long begins.

    Raises as `HandWork.check` does.
    """
    if settings.holdout is not None:
        make_hands(settings.holdout, settings, hero, lambda frame: np.eye(3)).check()
    asked = () if settings.render is None else settings.render.elements
    bare = find_set_source(settings, wanted_set(settings))
    if "figure" in asked and not (needs_holdout(settings) and (bare or settings.holdout)):
        raise SettingError(
            f"{settings.path}: [render] elements asks for figure, and the shot has no hold-out to cut it out by; take "
            "figure out, or let [holdout] make one"
        )
    if {"background", "background_lit"} & set(asked) and bare is None:
        raise SettingError(
            f"{settings.path}: [render] elements asks for background, and nothing shows the set with nobody in it; add "
            "[takes.empty_lit] or [clean], or take it out"
        )


def holdout_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    bare: ShotSet | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> ShotHoldout:
    """Pull the shot's matte, or take it from the scratch folder, and lay the hands' help over it.

    ``bare``: the set's picture; without one only hands can make a matte, and a warning says what to film.
    """
    if not needs_holdout(settings):
        return ShotHoldout()
    wish = settings.holdout or Holdout()
    if bare is None and not wish.by_hand:
        return ShotHoldout(warnings=(say_no_set(),))
    survey = RememberedSurvey(delivery, hero, seen, options.spread, progress)
    pulled, inputs = None, None
    if wish.pulls and bare is not None:
        inputs = pull_inputs(delivery, hero, bare, options)
        pulled = pull_or_recall(
            delivery, settings, hero, seen, bare, survey, inputs, options, force=force, progress=progress
        )
    held = lay_hands(delivery, settings, wish, hero, seen, bare, pulled)
    every = {
        "pulled": inputs,
        "wish": wish.model_dump(mode="json", by_alias=True),
        "hands": delivery.book.identify(list_hand_files(settings)),
    }
    built = show_or_recall(
        delivery, settings, hero, held, pulled, bare, survey, every, force=force, progress=progress
    )
    return ShotHoldout(held, every, built, built.warnings)


def lay_hands(
    delivery: Delivery,
    settings: ShotSettings,
    wish: Holdout,
    hero: HeroPart,
    seen: HeroLook,
    bare: ShotSet | None,
    pulled: PulledMatte | None,
) -> HeldMatte:
    """Return the matte that was pulled, if any, with the hands' help laid over it as frames ask for it."""
    pose_at = make_pose_at(settings, hero, seen.registration)
    return HeldMatte(
        hero.fitted.size,
        settings.shot.first_frame - hero.take.info.first_frame,
        pose_at,
        pulled=pulled,
        path=delivery.folder.scratch_folder("holdout") / PACKED,
        hands=make_hands(wish, settings, hero, pose_at) if wish.by_hand or wish.grow or wish.soften else None,
        read_set=None if bare is None else bare.read_light,
    )


def say_no_set() -> str:
    """Say what to film where nothing shows the set."""
    return (
        "hold-out: nothing shows the set with nobody in it, so the light falls on whoever stands there too; film "
        "`empty_lit`: same framing, the hero's lamps on, nobody there, two seconds"
    )


def make_hands(wish: Holdout, settings: ShotSettings, hero: HeroPart, pose_at: PoseAt) -> HandWork:
    """Return what hands add and take away."""
    return HandWork(wish, settings, frames=hero.frames, size=hero.fitted.size, pose_at=pose_at)


def make_pose_at(settings: ShotSettings, hero: HeroPart, registration: Registration) -> PoseAt:
    """Return what gives the hero's pose at a shot frame."""
    info, offset = hero.take.info, settings.shot.first_frame - hero.take.info.first_frame

    def pose_at(shot_frame: int) -> NDArray[np.float64]:
        return pose_of(registration, min(max(shot_frame - offset, info.first_frame), info.last_frame))

    return pose_at


def source_frames(settings: ShotSettings, hero: HeroPart) -> tuple[int, int]:
    """Return the hero's source frames that the shot shows, inclusive."""
    offset = settings.shot.first_frame - hero.take.info.first_frame
    return hero.frames[0] - offset, hero.frames[1] - offset


class RememberedSurvey:
    """The hero at survey size, made when it is first asked for."""

    def __init__(
        self, delivery: Delivery, hero: HeroPart, seen: HeroLook, spread: Spread | None, progress: Progress
    ) -> None:
        self._delivery, self._hero, self._seen, self._spread, self._progress = delivery, hero, seen, spread, progress
        self._known: ProxyTake | None = None

    def get(self, frames: tuple[int, int]) -> ProxyTake:
        """Return it over source frames, inclusive, at least."""
        if self._known is None:
            self._known = survey_hero(
                self._delivery.folder, self._hero, self._seen, "holdout", frames, spread=self._spread,
                progress=self._progress,
            )  # fmt: skip
        return self._known


def pull_inputs(delivery: Delivery, hero: HeroPart, bare: ShotSet, options: BuildOptions) -> dict[str, Any]:
    """Return everything that the matte depends on before hands help."""
    return {
        "schema": SCHEMA,
        "way": WAY,
        "version": __version__,
        "set": bare.inputs,
        "hero": hero.describe_inputs(delivery.book),
        "frames": list(hero.frames),
        "reading": describe_reading(options),
    }


def pull_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    bare: ShotSet,
    survey: RememberedSurvey,
    inputs: dict[str, Any],
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> PulledMatte:
    """Pull the matte of every frame, or recall it."""
    book, scratch = delivery.book, delivery.folder.scratch_folder("holdout")
    kept, path = scratch / "pulled.npz", scratch / PACKED
    if not force and book.is_current("holdout", inputs):
        known = recall_or_none(kept, PulledMatte, progress=progress)
        if known is not None:
            progress.say("hold-out: unchanged")
            return known
    frames = source_frames(settings, hero)
    request = PullRequest(
        hero.take, survey.get(frames), seen.registration, frames, bare.read_light(), bare.inside
    )
    workers = plan_frame_workers(hero.fitted.size, options)
    pulled = pull_matte(request, path, workers=workers, spread=options.spread, progress=progress)
    keep_record(kept, pulled)
    book.record("holdout", inputs, [str(file.relative_to(delivery.folder.path)) for file in (kept, path)])
    return pulled


def show_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    held: HeldMatte,
    pulled: PulledMatte | None,
    bare: ShotSet | None,
    survey: RememberedSurvey,
    inputs: dict[str, Any],
    *,
    force: bool,
    progress: Progress,
) -> BuiltHoldout:
    """Draw the hold-out and its doubt, hand work included, and say what needs hands; or recall that."""
    book, folder = delivery.book, delivery.folder
    inputs = {**inputs, "names": [settings.shot.name, settings.shot.version]}
    kept: Path = folder.scratch_folder("holdout") / "shown.npz"
    if not force and book.is_current("holdout shown", inputs):
        known = recall_or_none(kept, BuiltHoldout, progress=progress)
        if known is not None:
            return known
    with progress.step("show the hold-out", None):
        proxies = survey.get(source_frames(settings, hero))
        built = show_holdout(delivery, hero, held, pulled, bare, proxies)
    keep_record(kept, built)
    names = [*(name for name, _ in built.files), str(kept.relative_to(folder.path))]
    book.record("holdout shown", inputs, names)
    return built
