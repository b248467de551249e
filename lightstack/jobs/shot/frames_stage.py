"""The shot's frames as stages of the build: preview, finished frames, elements and movie, from one pass over the hero.

Each is recalled where nothing that it depends on changed; those that are not are made together.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from functools import cache
from typing import Any

from lightstack import __version__
from lightstack.errors import SettingError
from lightstack.files.shot.schema import ShotSettings
from lightstack.jobs.frame.hero_pass import walk_hero
from lightstack.jobs.frame.shot_frames import FrameMaker
from lightstack.jobs.shot.flash_sink import FlashTask
from lightstack.jobs.shot.frame_tasks import (
    ElementTask,
    MadeFrames,
    MovieTask,
    PreviewTask,
    Task,
    wanted_elements,
    warn_left,
)
from lightstack.jobs.shot.shot_parts import ShotParts
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading
from lightstack.jobs.takes.memory import plan_frame_workers
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import HeroLook, Progress

__all__ = ["RenderWish", "check_render_frames", "make_frames"]


@dataclass(frozen=True, slots=True)
class RenderWish:
    """What a run is asked to make of the shot's frames, beside what the shot file says.

    ``frames``: only these shot frames, inclusive; then only elements are written, which a later run completes.
    """

    frames: tuple[int, int] | None = None


def make_frames(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    parts: ShotParts,
    options: BuildOptions,
    *,
    wish: RenderWish,
    force: set[str | None],
    progress: Progress,
) -> MadeFrames:
    """Make what is not current of the shot's frames in one pass over the hero.

    Raises
    ------
    OutputError
        Where the disk is full: frames that are written stay, and the next run goes on behind them.
    """
    made = MadeFrames(shown=True)
    inputs = describe_frames(delivery, settings, hero, parts, options)
    maker = cache(lambda: parts.make_maker(settings))
    whole = list_whole(delivery, settings, hero, maker, parts, inputs, options, force=force)
    # of some frames no movie is made, but one that shows the shot as it is stays in the report
    tasks = [task for task in whole if wish.frames is None or task.current]
    if wanted_elements(settings):
        tasks.append(ElementTask(delivery, settings, hero, maker, inputs, wish.frames, force="sweep" in force))
    else:
        made.warnings += warn_left(delivery, inputs)
    with ExitStack() as stack:
        sinks = [sink for task in tasks for sink in task.open(stack, made, progress)]
        if sinks:
            walk_hero(
                hero.take,
                maker(),
                sinks,
                frames=hero.frames,
                first_frame=settings.shot.first_frame,
                registration=seen.registration,
                workers=plan_frame_workers(hero.fitted.size, options),
                spread=options.spread,
                progress=progress,
            )
            delivery.book.check_steady()  # a movie of footage that changed meanwhile is not kept
    for task in tasks:
        task.close(made)
    return made


def list_whole(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    maker: Callable[[], FrameMaker],
    parts: ShotParts,
    inputs: dict[str, Any],
    options: BuildOptions,
    *,
    force: set[str | None],
) -> list[Task]:
    """Return the tasks that take every frame of the shot: preview, movie, flash check."""
    tasks: list[Task] = [
        PreviewTask(delivery, settings, hero, maker, parts.layers, inputs, options, force="preview" in force)
    ]
    if settings.render is not None and settings.render.movie != "none":
        tasks.append(MovieTask(delivery, settings, hero, inputs, force="sweep" in force))
    if settings.flash.check:
        tasks.append(FlashTask(delivery, settings, hero, inputs, options, force="preview" in force))
    return tasks


def check_render_frames(hero: HeroPart, wanted: tuple[int, int] | None) -> None:
    """Refuse frames that the shot does not have. Raises SettingError."""
    if wanted is None:
        return
    (first, last), (begin, end) = wanted, hero.frames
    if first > last:
        raise SettingError(f"--frames {first}-{last} runs backwards; write the first frame first")
    if first < begin or last > end:
        raise SettingError(f"--frames {first}-{last}: the shot has frames {begin} to {end}")


def describe_frames(
    delivery: Delivery, settings: ShotSettings, hero: HeroPart, parts: ShotParts, options: BuildOptions
) -> dict[str, Any]:
    """Return everything that the shot's frames depend on."""
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version],
        "lights": [light.model_dump(mode="json") for light in settings.light],
        "hero": hero.describe_inputs(delivery.book),
        "frames": [*hero.frames, settings.shot.first_frame, str(settings.shot.rate)],
        "reading": describe_reading(options),
        "parts": parts.inputs,
    }

