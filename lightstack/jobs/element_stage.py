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
from lightstack.files.schema import Element, ShotSettings, TakeSettings
from lightstack.jobs.clean import CleanTake
from lightstack.jobs.element_pull import ElementRequest, Wishes, open_tries, pull_frames, read_bare
from lightstack.jobs.element_results import write_frames_of, write_tries
from lightstack.jobs.finish import Delivery
from lightstack.jobs.hero import HeroPart, describe_reading, identify_take
from lightstack.jobs.options import BuildOptions
from lightstack.jobs.sweep_stage import SCHEMA
from lightstack.records import FloatArray, HeroLook, Progress

__all__ = ["BuiltElements", "element_or_recall"]

AlphaAt = Callable[[int], FloatArray]  # shot frame -> (H, W) hold-out


@dataclass(frozen=True, slots=True)
class BuiltElements:
    """What was written of all elements, with what it is, and what is doubtful."""

    files: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


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
    for element in settings.element:
        kept = delivery.folder.scratch_folder(f"element_{element.name}") / "built.json"
        stage = f"element {element.name}"
        inputs = element_inputs(delivery, settings, element, hero, held_inputs, options)
        if not force and kept.exists() and delivery.book.is_current(stage, inputs):
            known = read_json(kept)
            progress.say(f"{stage}: unchanged")
        else:
            known = pull_one(delivery, settings, element, hero, seen, alpha_at, options, progress=progress)
            write_json(kept, known)
            delivery.book.record(stage, inputs, [name for name, _ in known["files"]])
        files += [(name, what) for name, what in known["files"]]
        warnings += known["warnings"]
    return BuiltElements(tuple(files), tuple(warnings))


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
        "element": element.model_dump(mode="json"),
        "tries": identify_take(book, element, settings.take_paths(element)),
        "empty": [empty.model_dump(mode="json"), identify_take(book, empty, settings.take_paths(empty))],
        "hero": hero.describe_inputs(book),
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
    request = make_request(settings, element, hero, alpha_at, options)
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
    return {"files": [list(one) for one in files], "warnings": [f"{element.name}: {w}" for w in tries.warnings]}


def make_request(
    settings: ShotSettings, element: Element, hero: HeroPart, alpha_at: AlphaAt | None, options: BuildOptions
) -> ElementRequest:
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
