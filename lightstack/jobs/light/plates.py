"""Plates of lights that take only some stills of their sweep: made once, kept until something changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from lightstack.errors import OutputError
from lightstack.files.folder import read_json, write_json
from lightstack.files.kept.stack import LightStack, open_stack
from lightstack.files.shot.schema import Light, ShotSettings, Sweep
from lightstack.files.write.plates import read_light
from lightstack.jobs.light.groups import find_stills
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.sweep.accumulate import accumulate_plate
from lightstack.jobs.sweep.export import write_plate
from lightstack.jobs.takes.memory import plan_workers
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, Progress, StillNotes
from lightstack.report.phrases import say_share

__all__ = [
    "find_built",
    "find_stack",
    "find_sweep",
    "name_light_file",
    "notes_of",
    "open_working",
    "own_plate_or_recall",
    "plate_or_recall",
    "read_unlit",
]

SCHEMA = 2
LEAST_HOLE = 0.001  # share of the picture that is worth a warning


def plate_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    light: Light,
    built: BuiltSweep,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> tuple[str, list[tuple[str, str]], tuple[str, ...]]:
    """Accumulate a light's group into a plate of its own; return its file, all files with what they are, warnings.

    Raises SettingError where the group is unknown or holds no still.
    """
    notes, sweep = notes_of(built), find_sweep(settings, light)
    stills = find_stills(light, sweep, notes) or list(range(len(notes.source_frames)))
    seen = delivery.folder.scratch_folder("groups") / f"{light.name}.json"

    def make() -> FloatArray:
        stack = open_working(delivery, built)
        threads = plan_workers((stack.shape.height, stack.shape.width), options)
        ambient = read_unlit(delivery, built)
        plate = accumulate_plate(stack, ambient, notes, sweep, stills=stills, threads=threads, spread=options.spread)
        write_json(seen, {"hole": float((plate.valid <= 0).mean())})
        return plate.light

    files = own_plate_or_recall(
        delivery,
        light,
        f"{light.group} of {sweep.name}",
        plate_inputs(delivery, sweep, built, stills),
        make,
        primaries=built.primaries,
        force=force,
        progress=progress,
    )
    return files[0][0], files, warn_of_hole(light, float(read_json(seen).get("hole", 0)), len(stills))


def own_plate_or_recall(
    delivery: Delivery,
    light: Light,
    of: str,
    inputs: dict[str, Any],
    make: Callable[[], FloatArray],
    *,
    primaries: str,
    force: bool,
    progress: Progress,
) -> list[tuple[str, str]]:
    """Write the plate that ``make`` makes of a light, unless it is current; return its files with what they are.

    ``of``: what it is made of, in words.
    """
    stem, stage = name_light_file(delivery, "light_plate", light), f"light plate {light.name}"
    files = [(f"{stem}.exr", f"relight plate of {light.name}: {of}"), (f"{stem}.png", "the same to look at")]
    if force or not delivery.book.is_current(stage, inputs):
        with progress.step(f"plate of {light.name}", None):
            write_plate(delivery.folder, stem, make(), primaries=primaries)
        delivery.book.record(stage, inputs, [name for name, _ in files])
    return files


def warn_of_hole(light: Light, share: float, stills: int) -> tuple[str, ...]:
    """Warn where a part of the picture is covered in every still of a group: the plate is black there."""
    if share < LEAST_HOLE:
        return ()
    covered = "its only still" if stills == 1 else f"all of its {stills} stills"
    return (
        f"light {light.name}: the lamp or whoever carried it covers {say_share(share)} of the picture in {covered} of "
        f"group {light.group}, and no light is there: widen the group by stills in which the lamp stands elsewhere",
    )


def plate_inputs(delivery: Delivery, sweep: Sweep, built: BuiltSweep, stills: Sequence[int]) -> dict[str, Any]:
    """Return everything that a group's plate depends on."""
    return {
        "schema": SCHEMA,
        "stack": delivery.book.identity(delivery.folder.file(find_stack(built))),
        "stills": list(stills),
        "sweep": sweep.model_dump(mode="json", exclude={"group", "travel_keys"}),
    }


def find_built(built: Sequence[BuiltSweep], light: Light) -> BuiltSweep:
    """Return the built sweep that a light comes from."""
    return next(b for b in built if light.source in ("", b.report.name))


def find_sweep(settings: ShotSettings, light: Light) -> Sweep:
    """Return the settings of the sweep that a light comes from."""
    return next(sweep for sweep in settings.sweep if light.source in ("", sweep.name))


def notes_of(built: BuiltSweep) -> StillNotes:
    """Return what is known of a sweep's stills."""
    assert built.stills is not None  # every built sweep has them; the default is for tests' records
    return built.stills


def find_stack(built: BuiltSweep) -> str:
    """Return the file of a sweep's light stack."""
    return next(file for file, _ in built.files if "light_stack" in file)


def open_working(delivery: Delivery, built: BuiltSweep) -> LightStack:
    """Open the working copy of a sweep's light stack. Raises OutputError where it is gone."""
    path = delivery.folder.scratch_folder(f"sweep_{built.report.name}") / "light_stack.exr"
    try:
        return open_stack(path)
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: the light stack's working copy cannot be read; build again with --force") from error


def read_unlit(delivery: Delivery, built: BuiltSweep) -> FloatArray:
    """Read the light that was there beside the lamp, (H, W, 3), from the light stack."""
    return np.asarray(read_light(delivery.folder.file(find_stack(built)), "ambient"), np.float32)


def name_light_file(delivery: Delivery, element: str, light: Light) -> str:
    """Return the name, without its ending, of a file that belongs to one light."""
    return delivery.stem(element, light.name)
