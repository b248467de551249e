"""Patches as a stage of the build: what is laid over the hero and how it is matched, and what the report says."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack import __version__
from lightstack.files.kept.identity import list_files
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import Patch, ShotSettings
from lightstack.jobs.patch.masks import MaskMaker
from lightstack.jobs.patch.match import MatchNumbers, match_patch
from lightstack.jobs.patch.patch import PatchLayer, make_layers
from lightstack.jobs.patch.source import PatchSource, open_source
from lightstack.jobs.patch.survey import survey_patched
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.named_files import find_source
from lightstack.jobs.stage.standing import SCHEMA, describe_reading, identify_take
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.poses import pose_of
from lightstack.records import (
    BuiltPatches,
    BuiltSweep,
    HeroLook,
    PatchMatch,
    PatchReport,
    Progress,
    Registration,
)
from lightstack.report.phrases import say_number

UNEVEN_STOPS = 1.0  # around a mask; common practice: beyond a stop the two were lit differently, not exposed so


@dataclass(frozen=True, slots=True)
class ShotPatches:
    """A shot's patches after their stage: what was kept, the layers to lay over the hero, what they depend on,
    and the files that they come from, for the manifest."""

    built: BuiltPatches
    layers: tuple[PatchLayer, ...]
    inputs: dict[str, Any]
    sources: dict[str, Any]


def patch_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    options: BuildOptions,
    *,
    plates: Mapping[str, Path] | None = None,
    force: bool,
    progress: Progress,
) -> ShotPatches:
    """Match the shot's patches, or take them from the scratch folder where nothing that they depend on changed.

    ``plates``: plates that this build made already, by the name under which a patch asks for them ("clean").
    """
    book, folder = delivery.book, delivery.folder
    kept = folder.scratch_folder("patch") / "built.npz"
    makers = make_makers(settings, hero, seen.registration)
    sources = describe_sources(delivery, settings, plates)
    inputs = patch_inputs(delivery, settings, hero, built, options, plates)
    if not force and book.is_current("patch", inputs):
        known = recall_or_none(kept, BuiltPatches, progress=progress)
        if known is not None:
            progress.say("patches: unchanged")
            return ShotPatches(known, make_layers(known, makers), inputs, sources)
    made = match_patches(delivery, settings, hero, seen, built, makers, options, plates=plates, progress=progress)
    keep_record(kept, made)
    book.record("patch", inputs, [str(kept.relative_to(folder.path))])
    return ShotPatches(made, make_layers(made, makers), inputs, sources)


def make_makers(settings: ShotSettings, hero: HeroPart, registration: Registration) -> list[MaskMaker]:
    """Return what draws each patch's masks."""
    offset = settings.shot.first_frame - hero.take.info.first_frame
    first, last = hero.take.info.first_frame, hero.take.info.last_frame

    def pose_at(shot_frame: int) -> NDArray[np.float64]:
        return pose_of(registration, min(max(shot_frame - offset, first), last))

    return [
        MaskMaker(patch, settings, frames=hero.frames, size=hero.fitted.size, pose_at=pose_at)
        for patch in settings.patch
    ]


def check_patches(settings: ShotSettings, hero: HeroPart) -> None:
    """Refuse masks that cannot be used before anything long begins. Raises as `MaskMaker` does."""
    for patch in settings.patch:
        maker = MaskMaker(patch, settings, frames=hero.frames, size=hero.fitted.size, pose_at=lambda frame: np.eye(3))
        maker.check()


def patch_inputs(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    built: Sequence[BuiltSweep],
    options: BuildOptions,
    plates: Mapping[str, Path] | None,
) -> dict[str, Any]:
    """Return everything that the clean hero depends on."""
    book = delivery.book
    sources = [find_source(patch, settings, plates) for patch in settings.patch]
    masks = [settings.locate(patch.mask) for patch in settings.patch if patch.mask is not None]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "names": [settings.shot.name, settings.shot.version],
        "patches": [patch.model_dump(mode="json") for patch in settings.patch],
        "takes": [
            None if take is None else [take[0].model_dump(mode="json"), identify_take(book, *take)] for take in sources
        ],
        "sweeps": [
            book.identity(delivery.folder.file(file)) for b in built for file, _ in b.files if "light_stack" in file
        ]
        if None in sources
        else [],
        "masks": book.identify(masks),
        "hero": hero.describe_inputs(book),
        "frames": [*hero.frames, settings.shot.first_frame],
        "reading": describe_reading(options),
    }


def describe_sources(
    delivery: Delivery, settings: ShotSettings, plates: Mapping[str, Path] | None = None
) -> dict[str, Any]:
    """Return what the manifest says of the files that patches come from, masks included."""
    book, folder = delivery.book, delivery.folder
    described = {}
    for patch in settings.patch:
        found = find_source(patch, settings, plates)
        named = [*(found[1] if found else ()), *([settings.locate(patch.mask)] if patch.mask else [])]
        files = [file for path in named for file in list_files(path)]
        described[f"patch {patch.name}"] = {
            "files": [{"path": os.path.relpath(file, folder.path), "sha256": book.identity(file)} for file in files]
        }
    return described


def match_patches(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    makers: Sequence[MaskMaker],
    options: BuildOptions,
    *,
    plates: Mapping[str, Path] | None = None,
    progress: Progress,
) -> BuiltPatches:
    """Read what every patch is taken from and measure how it is matched; nothing is laid yet."""
    offset = settings.shot.first_frame - hero.take.info.first_frame
    frames = survey_patched(
        delivery.folder, hero, seen, makers, offset=offset, spread=options.spread, progress=progress
    )
    sources: dict[tuple[str, object], tuple[int, PatchSource]] = {}
    matches: list[PatchMatch] = []
    reports: list[PatchReport] = []
    warnings: list[str] = []
    for patch, maker in zip(settings.patch, makers, strict=True):
        key = (patch.source, patch.use)
        if key not in sources:
            source = open_source(
                patch, settings, hero, seen.origin, built, delivery, options, plates=plates, progress=progress
            )
            sources[key] = (len(sources), source)
        index, source = sources[key]
        with progress.step(f"match {patch.name}", None):
            match, numbers = match_patch(maker, frames, source, index=index)
        matches.append(match)
        reports.append(PatchReport(patch.name, describe_patch(patch, maker, source, match, numbers), ()))
        warnings += [*source.warnings, *warn_match(patch, maker, match, numbers)]
    lights = tuple(source.light for _, source in sources.values())
    return BuiltPatches(
        lights, tuple(matches), frames.proxies.factor, tuple(reports), tuple(dict.fromkeys(warnings))
    )


def describe_patch(
    patch: Patch, maker: MaskMaker, source: PatchSource, match: PatchMatch, numbers: MatchNumbers
) -> tuple[tuple[str, str], ...]:
    """Return what the report says of a patch."""
    taken = f"mean of {source.frames} frames of {patch.source}" if source.frames > 1 else patch.source
    if not source.frames:
        taken = f"unlit frames of {patch.source}"
    rows = [("taken from", taken), ("frames", f"{maker.frames[0]}\u2013{maker.frames[-1]}")]
    if match.matched:
        shown = ", ".join(f"{c} {say_number(v)}" for c, v in zip("RGB", numbers.even, strict=True))
        rows.append(("matched by", f"{shown} stops"))
        rows.append(("light around the mask", f"{say_number(numbers.low)} to {say_number(numbers.high)} stops"))
        travel = float(np.ptp(match.changes, axis=0).max())
        if travel > 0:
            rows.append(("follows the hero's exposure by", f"{say_number(travel)} stops"))
        rows.append(("step left at the edge", f"{say_number(numbers.step_sigma)} sigma of the grain"))
    else:
        rows.append(("matched by", "nothing"))
    return tuple(rows)


def warn_match(patch: Patch, maker: MaskMaker, match: PatchMatch, numbers: MatchNumbers) -> list[str]:
    """Return one line for what is doubtful about a match."""
    lines = []
    if patch.match != "off" and not match.matched:
        lines.append(
            f"patch {patch.name}: nothing around its mask is bright enough to match to, so it is laid as it was "
            "filmed; draw the mask so that lit set lies around it"
        )
    elif match.matched and numbers.high - numbers.low > UNEVEN_STOPS:
        way = "the patch follows it" if patch.match == "around" else 'use match = "around"'
        lines.append(
            f"patch {patch.name}: around its mask the hero is {say_number(numbers.low)} to {say_number(numbers.high)} "
            f"stops brighter than {patch.source}: the two were lit differently; {way}. Better: film the set empty "
            "with the hero's lamps on (`empty_lit`)"
        )
    return lines
