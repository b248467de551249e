"""The hero at survey size for patches and hold-out: what its own survey left in the scratch folder, else a new pass."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from lightstack.core.sweep.survey import average_frames
from lightstack.errors import UnusableTake
from lightstack.files.folder import OutFolder, scratch_name
from lightstack.jobs.patch.masks import MaskMaker
from lightstack.jobs.patch.match import HeroFrames
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.stage.hero import HeroPart, pick_origin_frames
from lightstack.jobs.takes.footage import resolve_ranges
from lightstack.jobs.takes.survey import UNKNOWN_NOISE, measure_proxy_noise, survey_factor, survey_take
from lightstack.records import HeroLook, Progress, ProxyTake


def survey_patched(
    folder: OutFolder,
    hero: HeroPart,
    seen: HeroLook,
    makers: Sequence[MaskMaker],
    *,
    offset: int,
    spread: Spread | None = None,
    progress: Progress,
) -> HeroFrames:
    """Return the hero over the frames that any patch needs. ``offset``: shot frame minus source frame."""
    laid = [frame for maker in makers for frame in (maker.frames[0], maker.frames[-1])] or list(hero.frames)
    needed = [frame - offset for frame in laid]
    proxies = survey_hero(folder, hero, seen, "patch", (min(needed), max(needed)), spread=spread, progress=progress)
    return HeroFrames(proxies, seen.registration, offset)


def survey_hero(
    folder: OutFolder,
    hero: HeroPart,
    seen: HeroLook,
    scratch: str,
    frames: tuple[int, int],
    *,
    spread: Spread | None = None,
    progress: Progress,
) -> ProxyTake:
    """Return the hero as it was decoded, at survey size, over source frames (inclusive) at least.

    What its own survey left in the scratch folder, else a new pass that is kept in the folder ``scratch``.
    """
    proxies = recall_survey(hero, seen, folder.scratch_folder("hero"))
    if proxies is not None:
        return proxies
    as_decoded = replace(hero.fitted, gain=np.ones(3, np.float32))  # it is laid over without its own gain
    own = folder.scratch_folder(scratch)
    return with_noise(survey_take(as_decoded, own, use=frames, spread=spread, progress=progress))


def with_noise(proxies: ProxyTake) -> ProxyTake:
    """Return a survey with its noise measured; where no two frames differ, with next to none."""
    try:
        return replace(proxies, noise_proxy=measure_proxy_noise(proxies, np.arange(len(proxies))))
    except UnusableTake:  # a single frame, or a render without noise
        return proxies


def recall_survey(hero: HeroPart, seen: HeroLook, scratch: Path) -> ProxyTake | None:
    """Return the survey that the hero's own look left behind, or None where it is not whole or not of this hero.

    Notes: the files carry no label, so they are believed only if the origin picture comes out of them bit for bit.
    """
    info, (height, width) = hero.take.info, seen.origin.picture.shape[:2]
    first, last = info.first_frame, info.last_frame
    if hero.settings.use is not None:
        first, last = resolve_ranges([hero.settings.use], hero.take, what="use")[0]
    count = last - first + 1
    paths = scratch / f"{scratch_name(info.name)}.rgb", scratch / f"{scratch_name(info.name)}.clipped"
    sizes = (count * height * width * 6, count * height * width)
    if np.any(hero.fitted.gain != 1) or not all(p.is_file() for p in paths):
        return None
    if tuple(path.stat().st_size for path in paths) != sizes:
        return None
    numbers = np.arange(first, last + 1, dtype=np.int64)
    proxies = ProxyTake(
        name=info.name,
        rgb=np.memmap(paths[0], np.float16, "r", shape=(count, height, width, 3)),
        clipped=np.memmap(paths[1], np.uint8, "r", shape=(count, height, width)),
        source_frames=numbers,
        seconds=np.full(count, np.nan),
        factor=survey_factor(*hero.fitted.size[::-1]),
        full_size=hero.fitted.size,
        noise_full=UNKNOWN_NOISE,
        noise_proxy=UNKNOWN_NOISE,
        duplicate=np.zeros(count, bool),
    )
    proxies = with_noise(proxies)
    frames = pick_origin_frames(proxies, seen.registration, hero.reference)
    same = np.array_equal(average_frames(proxies, frames).astype(np.float32), seen.origin.picture)
    return proxies if same else None
