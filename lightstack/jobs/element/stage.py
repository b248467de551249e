"""Tossed things as stages of the build: each `[[element]]` pulled, or recalled where nothing it depends on changed."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightstack import __version__
from lightstack.errors import SettingError
from lightstack.files.folder import read_json, write_json
from lightstack.files.shot.schema import Element, ShotSettings, TakeSettings
from lightstack.files.shot.schema_element import LAYING
from lightstack.jobs.clean.clean import CleanTake
from lightstack.jobs.element.files import PulledFiles, ThingFiles, find_files, warn_place
from lightstack.jobs.element.laid_things import Thing, ThingLayers
from lightstack.jobs.element.pull import ElementRequest, OpenTries, Wishes, open_tries, pull_frames, read_bare
from lightstack.jobs.element.results import write_frames_of, write_tries
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading, identify_take
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import FloatArray, HeroLook, NoiseModel, Origin, Progress

__all__ = ["BuiltElements", "check_elements", "element_or_recall"]

WAY = 1  # raised when the laying of things changes
KEPT = 3  # raised when what is kept of a pulled thing changes

AlphaAt = Callable[[int], FloatArray]  # shot frame -> (H, W) hold-out


@dataclass(frozen=True, slots=True)
class BuiltElements:
    """What was written of all elements, with what it is, and what is doubtful; ``things`` that are laid in the frames,
    and what the frames depend on by them."""

    files: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    things: tuple[Thing, ...] = ()
    inputs: Any = None

    def make_layers(self, noise: NoiseModel, primaries: str) -> ThingLayers | None:
        """Return what lays the things in the shot's frames; None where none is laid."""
        return ThingLayers(self.things, noise=noise, primaries=primaries) if self.things else None


def find_empty(settings: ShotSettings, element: Element) -> tuple[TakeSettings, str]:
    """Return the take that shows the set without the thing, and its name. Raises SettingError where there is none."""
    named = {name: getattr(settings.takes, name) for name in type(settings.takes).model_fields}
    if element.empty == "auto":
        name = next((n for n in ("empty_lit", "empty") if named[n] is not None), None)
        if name is None:
            raise SettingError(
                f"{settings.path}: [[element]] {element.name} needs the set with nothing in it; add [takes.empty] or "
                "write `empty`"
            )
        return named[name], name
    if named.get(element.empty) is not None:
        return named[element.empty], element.empty
    if "/" in element.empty or "." in element.empty:
        return element.model_copy(update={"path": (element.empty,), "use": None}), Path(element.empty).stem
    raise SettingError(f'{settings.path}: element.empty = "{element.empty}": there is no such take')


def element_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    alpha_at: AlphaAt | None,
    held_inputs: Any,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> BuiltElements:
    """Pull every element of the shot, or take it as it was written. ``alpha_at``: the hold-out, None without one."""
    files: list[tuple[str, str]] = []
    warnings: list[str] = []
    things: list[Thing] = []
    laid: list[Any] = []
    for element in settings.element:
        inputs = element_inputs(delivery, settings, element, hero, held_inputs, options)
        known = recall_one(delivery, element, inputs, progress) if not force else None
        if known is None:
            known = pull_one(delivery, settings, element, hero, seen, alpha_at, options, progress=progress)
            keep_one(delivery, element, inputs, known)
        files += [(name, what) for name, what in known["files"]]
        warnings += known["warnings"]
        if element.lay:
            pulled = find_pulled(delivery, settings, element, hero, known)
            warnings += warn_place(element, pulled, hero.frames, hero.fitted.size, held=alpha_at is not None)
            things.append(
                ThingFiles(
                    delivery.folder.path, pulled, behind=element.behind, follow_mix=element.follow_mix,
                    stays=element.after == "stay",
                )
            )  # fmt: skip
            laid.append([WAY, inputs, element.model_dump(mode="json", include=set(LAYING))])
    return BuiltElements(tuple(files), tuple(warnings), tuple(things), laid or None)


def recall_one(
    delivery: Delivery, element: Element, inputs: dict[str, Any], progress: Progress
) -> dict[str, Any] | None:
    """Return what is known of an element that was pulled from the same; None where it was not."""
    if not delivery.book.is_current(f"element {element.name}", inputs):
        return None
    known = read_json(kept_at(delivery, element))
    if "files" not in known:
        return None
    progress.say(f"element {element.name}: unchanged")
    return known


def keep_one(delivery: Delivery, element: Element, inputs: dict[str, Any], known: dict[str, Any]) -> None:
    """Keep what is known of an element that was just pulled."""
    kept = kept_at(delivery, element)
    write_json(kept, known)
    own = str(kept.relative_to(delivery.folder.path))
    delivery.book.record(f"element {element.name}", inputs, [*(name for name, _ in known["files"]), own])


def kept_at(delivery: Delivery, element: Element) -> Path:
    """Return the file that says what was pulled."""
    return delivery.folder.scratch_folder(f"element_{element.name}") / "built.json"


def find_pulled(
    delivery: Delivery, settings: ShotSettings, element: Element, hero: HeroPart, known: dict[str, Any]
) -> PulledFiles:
    """Return the files of a pulled element. Raises SettingError where none of its frames lies in the shot."""
    shadow = delivery.stem(f"{element.name}_shadow") if element.shadow else None
    pulled = find_files(known["numbers"], known["centres"], known["areas"], (delivery.stem(element.name), shadow))
    (first, last), (begin, end) = hero.frames, (pulled.numbers[0], pulled.numbers[-1])
    if begin > last or end < first:
        raise SettingError(
            f"{settings.path}: [[element]] {element.name} is seen on frames {begin} to {end}, outside the shot's "
            f"frames {first} to {last}; move it by `at` or `offset`, or write lay = false"
        )
    return pulled


def check_elements(settings: ShotSettings, hero: HeroPart, options: BuildOptions) -> None:
    """Refuse elements that cannot be used, as far as their takes' headers tell, before anything long begins.

    Raises
    ------
    LightstackError
        One line for a try that is not there, of another shape, outside the shot, or without an empty take.
    """
    first, last = hero.frames
    for element in settings.element:
        find_empty(settings, element)
        if element.pick != "best" and element.pick > len(element.path):
            raise SettingError(
                f"{settings.path}: [[element]] {element.name} has pick = {element.pick}, but there are "
                f"{len(element.path)} tries"
            )
        # a thing that was thrown before the shot may still fly in it, and one whose take begins after it never does
        begin = element.at if element.at is not None else settings.shot.first_frame + (element.offset or 0)
        if element.lay and begin > last:
            raise SettingError(
                f"{settings.path}: [[element]] {element.name} begins on frame {begin}, outside the shot's frames "
                f"{first} to {last}; move it by `at` or `offset`, or write lay = false"
            )
        for path in element.path:
            one = element.model_copy(update={"path": (path,)})
            with open_fitted(
                one, (settings.locate(path),), name=element.name, size=hero.fitted.size, working=hero.working,
                options=options,
            ):  # fmt: skip
                pass


def element_inputs(
    delivery: Delivery,
    settings: ShotSettings,
    element: Element,
    hero: HeroPart,
    held_inputs: Any,
    options: BuildOptions,
) -> dict[str, Any]:
    """Return everything that an element depends on."""
    empty, name = find_empty(settings, element)
    book = delivery.book
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version, settings.shot.first_frame, name],
        "element": element.model_dump(mode="json", exclude=set(LAYING)),
        "tries": identify_take(book, element, settings.take_paths(element)),
        "empty": [empty.model_dump(mode="json"), identify_take(book, empty, settings.take_paths(empty))],
        "hero": hero.describe_inputs(book),
        "kept": KEPT,
        "held": held_inputs if element.wishes.avoid_figure else None,
        "reading": describe_reading(options),
    }


def pull_one(
    delivery: Delivery,
    settings: ShotSettings,
    element: Element,
    hero: HeroPart,
    seen: HeroLook,
    alpha_at: AlphaAt | None,
    options: BuildOptions,
    *,
    progress: Progress,
) -> dict[str, Any]:
    """Pull one element and write its files; returns them as plain values."""
    empty, empty_name = find_empty(settings, element)
    request = make_request(settings, element, hero, alpha_at, seen.origin, options)
    scratch = delivery.folder.scratch_folder(f"element_{element.name}")
    stem = delivery.stem(element.name)
    with ExitStack() as opened:
        take = CleanTake(empty, settings.take_paths(empty), empty_name)
        bare = read_bare(take, scratch, request, origin=seen.origin, progress=progress)
        tries = open_tries(request, bare, scratch, opened, progress=progress)
        first = tries.looks[tries.picked].told.first
        at = element.at
        if at is None:  # the take's first frame lies on the shot's
            at = settings.shot.first_frame + (element.offset or 0) + first - 1
        files = write_tries(delivery.folder.path, tries, request, stem=f"{stem}_")
        files += write_frames_of(
            delivery.folder.path, pull_frames(tries, request, progress=progress),
            stems=(stem, delivery.stem(f"{element.name}_shadow")), first=first, at=at, primaries=bare.origin.primaries,
            shadow=element.shadow,
        )  # fmt: skip
        path = describe_path(tries, at - first)
    warnings = [f"{element.name}: {w}" for w in tries.warnings]
    return {"files": [list(one) for one in files], "warnings": warnings, **path}


def describe_path(tries: OpenTries, offset: int) -> dict[str, Any]:
    """Return shot frames, middles and sizes of the pulled thing as plain values, frame by frame as it was written."""
    told, followed = tries.looks[tries.picked].told, tries.looks[tries.picked].followed
    assert followed is not None
    seen = [k for k, blob in enumerate(followed.prop) if blob is not None]
    return {
        "numbers": [int(told.source_frames[k]) + offset for k in seen],
        "centres": [[round(float(v), 3) if np.isfinite(v) else None for v in told.centres[k]] for k in seen],
        "areas": [float(told.areas[k]) for k in seen],
    }


def make_request(
    settings: ShotSettings, element: Element, hero: HeroPart, alpha_at: AlphaAt | None, origin: Origin,
    options: BuildOptions,
) -> ElementRequest:  # fmt: skip
    """Return what is asked of an element: one try for each of its paths."""
    wishes = element.wishes
    tries = [
        CleanTake(element.model_copy(update={"path": (path,)}), (settings.locate(path),), f"{element.name}_{number}")
        for number, path in enumerate(element.path, start=1)
    ]
    return ElementRequest(
        tries=tuple(tries),
        frames=element.frames,
        garbage=tuple(element.garbage),
        wishes=Wishes(tuple(wishes.ends_inside or ()), wishes.avoid_figure, wishes.sharp, wishes.free),
        pick=None if element.pick == "best" else element.pick,
        figure_at=None if alpha_at is None else figure_within(hero, alpha_at),
        at=element.at,
        offset=settings.shot.first_frame + (element.offset or 0) - 1,
        hero=origin,
        working=hero.working,
        options=options,
    )


def figure_within(hero: HeroPart, alpha_at: AlphaAt) -> AlphaAt:
    """Return the hold-out by shot frame; nobody stands on frames that the shot does not have."""
    first, last = hero.frames

    def look(shot_frame: int) -> FloatArray:
        if first <= shot_frame <= last:
            return alpha_at(shot_frame)
        return np.zeros(hero.fitted.size, np.float32)

    return look
