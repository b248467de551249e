"""What patches are taken from: other takes, plates and a sweep's unlit frames, brought into the hero's place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnusableTake
from lightstack.files.shot.schema import Patch, ShotSettings, TakeSettings
from lightstack.files.write.plates import read_light
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.named_files import find_source, takes_clean_plate
from lightstack.jobs.takes.ambient import average_ambient, pick_frames
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.look import average_registered, find_passers, register_proxies, survey_with_noise
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import BuiltSweep, Origin, PatchLight, Progress, ProxyTake, Registration

STACK_END = "light_stack"
MEAN_FRAMES = 16  # that a plate of this build is taken to be the mean of; it is that or more


@dataclass(frozen=True, slots=True)
class PatchSource:
    """A patch's light with what is needed to judge it.

    ``clipped`` (h, w) at survey size. ``frames``: how many were averaged here, 0 for a sweep's unlit ones. ``told_by``:
    of how many frames' mean it has the noise.
    """

    light: PatchLight
    clipped: NDArray[np.bool_]
    frames: int
    told_by: int
    warnings: tuple[str, ...] = ()


def open_source(
    patch: Patch,
    settings: ShotSettings,
    hero: HeroPart,
    origin: Origin,
    built: Sequence[BuiltSweep],
    delivery: Delivery,
    options: BuildOptions,
    *,
    plates: Mapping[str, Path] | None = None,
    progress: Progress,
) -> PatchSource:
    """Read what a patch is taken from, registered to the hero's origin picture."""
    named = find_source(patch, settings, plates)
    if named is None:
        return read_unlit(patch.source, built, delivery, origin)
    folder = delivery.folder.scratch_folder(f"patch/{patch.name}")
    source = average_take(*named, patch.name, hero, origin, folder, options, progress=progress)
    return replace(source, told_by=MEAN_FRAMES) if takes_clean_plate(patch, settings) else source


def read_unlit(name: str, built: Sequence[BuiltSweep], delivery: Delivery, origin: Origin) -> PatchSource:
    """Return the mean of a sweep's unlit frames from its light stack, which stands in the hero's place already."""
    sweep = next(b for b in built if b.report.name == name)
    stack = next(file for file, _ in sweep.files if STACK_END in file)
    light = read_light(delivery.folder.file(stack), "ambient")
    small = origin.picture.shape[:2]
    return PatchSource(PatchLight(light, np.ones(light.shape[:2], bool)), np.zeros(small, bool), 0, MEAN_FRAMES)


def average_take(
    take: TakeSettings,
    paths: Sequence[Path],
    name: str,
    hero: HeroPart,
    origin: Origin,
    folder: Path,
    options: BuildOptions,
    *,
    progress: Progress,
) -> PatchSource:
    """Average a take in the hero's place: evenly spread frames, whoever walks through left out."""
    with open_fitted(take, paths, name=name, size=hero.fitted.size, working=hero.working, options=options) as fitted:
        proxies = survey_with_noise(
            fitted, take, folder, assume=UNKNOWN_NOISE, spread=options.spread, progress=progress
        )
        with progress.step(f"register {name}", None):
            registration = register_proxies(
                proxies, origin.picture, np.zeros(len(proxies), bool), model="auto", frames=origin.frames
            )
        usable = drop_untrusted(proxies, registration, paths[0])
        mean = average_registered(proxies, registration, np.flatnonzero(np.isin(proxies.source_frames, usable)))
        frames = pick_frames(usable, None)
        passers = find_passers(proxies, registration, mean, frames) if len(frames) > 2 else {}
        average = average_ambient(
            fitted, frames, registration, passers=passers, assume=UNKNOWN_NOISE, progress=progress
        )
        warnings = list(fitted.warnings)
    if any(np.isinf(stretch.standard_error_px) for stretch in registration.stretches):
        warnings.append(
            f"{name}: could not be lined up with the hero's picture; it is taken to stand where it stood: "
            "check that both show the same framing"
        )
    light = PatchLight(average.light, average.inside)
    return PatchSource(light, find_clipped(proxies), len(frames), len(frames), tuple(warnings))


def drop_untrusted(proxies: ProxyTake, registration: Registration, path: Path) -> list[int]:
    """Return the source frames whose position is known. Raises UnusableTake where there are none."""
    frames = [int(n) for n in proxies.source_frames if n not in registration.left_out]
    if not frames:
        raise UnusableTake(f"{path}: no frame of it could be lined up with the hero; film it with the same framing")
    return frames


def find_clipped(proxies: ProxyTake, *, most: int = 24) -> NDArray[np.bool_]:
    """Return where a take is clipped in any of some frames spread over it, one pixel wider, (h, w)."""
    some = np.unique(np.linspace(0, len(proxies) - 1, most).astype(int))
    clipped = np.zeros(proxies.clipped.shape[1:], np.uint8)
    for k in some:
        clipped |= (np.asarray(proxies.clipped[k]) > 0).astype(np.uint8)
    return np.asarray(cv2.dilate(clipped, np.ones((3, 3), np.uint8)) > 0)
