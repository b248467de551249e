"""The bare set as a still picture in the hero's place: what figures are told from, and what stands behind them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightstack import __version__
from lightstack.core.matte.carry import carry_nearest
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.write.plates import read_light, write_exr
from lightstack.jobs.patch.source import average_take, read_unlit
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import SCHEMA, describe_reading
from lightstack.jobs.stage.sweep_stage import describe_input
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import (
    BoolArray,
    BuiltClean,
    BuiltSet,
    BuiltSweep,
    FloatArray,
    HeroLook,
    PatchLight,
    Progress,
)

__all__ = ["SetSource", "ShotSet", "find_set_source", "set_or_recall"]

TAKES = ("empty_lit", "empty")  # in the order of how well they tell a figure; then the clean plate, then a sweep
FILE = "set.exr"


@dataclass(frozen=True, slots=True)
class SetSource:
    """Where the set's picture comes from: a take's name, "clean" (``role`` says which) or a sweep's."""

    name: str
    role: str  # "empty_lit" | "empty" | "clean" | "sweep"

    @property
    def words(self) -> str:
        """What it is, for people."""
        if self.role == "sweep":
            return f"the unlit frames of {self.name}"
        return "the clean plate" if self.role == "plate" else self.name


@dataclass(frozen=True, slots=True)
class ShotSet:
    """The set's picture after its stage. ``path``: its EXR; ``inputs``: what it depends on."""

    built: BuiltSet
    source: SetSource
    path: Path
    inputs: dict[str, Any]

    @property
    def inside(self) -> BoolArray:
        """Where the picture is known, (H, W); elsewhere the nearest that is known goes on."""
        return self.built.inside

    def read_light(self) -> FloatArray:
        """Read the picture, (H, W, 3) float32 linear light in the origin's place."""
        return read_light(self.path)


def find_set_source(settings: ShotSettings, wanted: str = "auto") -> SetSource | None:
    """Return what shows the set of a shot; None where nothing does. ``wanted``: "auto", a take or a sweep."""
    if wanted in [sweep.name for sweep in settings.sweep]:
        return SetSource(wanted, "sweep")
    for name in TAKES:
        if wanted in ("auto", name) and getattr(settings.takes, name) is not None:
            return SetSource(name, name)
    if wanted in ("auto", "clean") and settings.clean is not None:
        return SetSource("clean", "plate")
    if wanted in ("auto", "clean") and settings.takes.clean is not None:
        return SetSource("clean", "clean")
    if wanted == "auto" and settings.sweep:
        lit = [light.source for light in settings.light if light.source]
        return SetSource(lit[0] if lit else settings.sweep[0].name, "sweep")
    return None


def set_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    clean: BuiltClean | None,
    options: BuildOptions,
    *,
    wanted: str = "auto",
    force: bool,
    progress: Progress,
) -> ShotSet | None:
    """Make the set's picture, or take it from the scratch folder; None where nothing shows the set.

    ``wanted``: what to take it from, as in `find_set_source`.
    """
    source = find_set_source(settings, wanted)
    if source is None:
        return None
    book, scratch = delivery.book, delivery.folder.scratch_folder("set")
    inputs = set_inputs(delivery, settings, hero, source, built, clean, options)
    kept, path = scratch / "built.npz", scratch / FILE
    if not force and book.is_current("set", inputs):
        known = recall_or_none(kept, BuiltSet, progress=progress)
        if known is not None:
            return ShotSet(known, source, path, inputs)
    light, frames, warnings = average_set(
        delivery, settings, hero, seen, source, built, clean, options, progress=progress
    )
    picture = carry_nearest(np.nan_to_num(light.light), light.inside)
    write_exr(path, picture, primaries=hero.working, half=False, compression="none")
    names = [str(file.relative_to(delivery.folder.path)) for file in (kept, path)]
    made = BuiltSet(names[1], light.inside, source.name, source.role, frames, warnings)
    keep_record(kept, made)
    book.record("set", inputs, names)
    return ShotSet(made, source, path, inputs)


def set_inputs(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    source: SetSource,
    built: Sequence[BuiltSweep],
    clean: BuiltClean | None,
    options: BuildOptions,
) -> dict[str, Any]:
    """Return everything that the set's picture depends on."""
    book, folder = delivery.book, delivery.folder
    found: Any
    if source.role == "sweep":
        found = [book.identity(folder.file(file)) for file in list_stacks(source.name, built)]
    elif source.role == "plate":
        found = None if clean is None else book.identity(folder.file(clean.plate))
    else:
        found = describe_input(book, settings, getattr(settings.takes, source.name))
    return {
        "schema": SCHEMA,
        "version": __version__,
        "source": [source.name, source.role],
        "found": found,
        "hero": hero.describe_inputs(book),
        "reading": describe_reading(options),
    }


def list_stacks(name: str, built: Sequence[BuiltSweep]) -> list[str]:
    """Return the light stack of a sweep, within the folder for results."""
    return [file for b in built if b.report.name == name for file, _ in b.files if "light_stack" in file]


def average_set(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    source: SetSource,
    built: Sequence[BuiltSweep],
    clean: BuiltClean | None,
    options: BuildOptions,
    *,
    progress: Progress,
) -> tuple[PatchLight, int, tuple[str, ...]]:
    """Return the set's picture, how many frames it is the mean of (0: not counted), and what is doubtful about it."""
    if source.role == "sweep":
        return read_unlit(source.name, built, delivery, seen.origin).light, 0, ()
    if source.role == "plate" and clean is not None:
        light = read_light(delivery.folder.file(clean.plate))
        return PatchLight(light, np.asarray(np.isfinite(light).all(axis=-1))), 0, ()
    take = getattr(settings.takes, source.name)
    folder = delivery.folder.scratch_folder("set")
    paths = settings.take_paths(take)
    mean = average_take(take, paths, source.name, hero, seen.origin, folder, options, progress=progress)
    return mean.light, mean.frames, mean.warnings
