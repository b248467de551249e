"""The hero: what everything else is registered to, measured in and laid on."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightstack import __version__
from lightstack.core.sweep.survey import average_frames
from lightstack.errors import SettingError
from lightstack.files.folder import OutFolder
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.read.takes import Take
from lightstack.files.shot.schema import ShotSettings, TakeSettings
from lightstack.jobs.inspect.build import CHECKS, check_built_steady
from lightstack.jobs.stage.standing import describe_reading, identify_take
from lightstack.jobs.takes.footage import FittedTake, open_fitted, resolve_ranges
from lightstack.jobs.takes.look import register_proxies, survey_with_noise
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import HeroLook, Origin, Progress, ProxyTake, Registration
from lightstack.report.words import grade_locked

ORIGIN_FRAMES = 24


@dataclass(frozen=True, slots=True)
class HeroPart:
    """The open hero and the shot frames to build (handles included)."""

    fitted: FittedTake
    settings: TakeSettings
    paths: tuple[Path, ...]
    frames: tuple[int, int]
    reference: int  # source frame that is the origin
    working: str

    @property
    def take(self) -> Take:
        return self.fitted.take

    @property
    def warnings(self) -> tuple[str, ...]:
        """One line for everything that was assumed about the hero's footage."""
        return self.fitted.warnings

    def describe_inputs(self, book: StageBook) -> dict[str, Any]:
        """Return what every result that leans on the hero depends on."""
        return {
            "version": __version__,
            "settings": self.settings.model_dump(mode="json"),
            "files": identify_take(book, self.settings, self.paths),
            "reference": self.reference,
            "working": self.working,
        }


@contextmanager
def open_hero(settings: ShotSettings, options: BuildOptions) -> Iterator[HeroPart | None]:
    """Open the hero; None where the shot has none. No frame is converted yet."""
    hero = settings.takes.hero
    if hero is None:
        yield None
        return
    working = None if settings.shot.working == "hero" else settings.shot.working
    paths = settings.take_paths(hero)
    with open_fitted(hero, paths, name="hero", size=None, working=working, options=options) as fitted:
        frames = shot_range(settings, fitted.take, hero.use)
        reference = source_reference(settings, fitted.take, frames[0])
        space = working or fitted.take.info.encoding.primaries
        yield HeroPart(fitted, hero, paths, frames, reference, space)


def shot_range(
    settings: ShotSettings, take: Take, use: tuple[int | str, int | str] | None = None
) -> tuple[int, int]:
    """Return the shot frames to build, handles included; none outside the source frames ``use``.

    Raises
    ------
    SettingError
        If the hero lacks frames that `frames` and `handles` ask for; they are named.
    """
    shot, info = settings.shot, take.info
    have_first, have_last = shot.first_frame, shot.first_frame + info.frame_count - 1
    if use is not None:
        (begin, end), offset = resolve_ranges([use], take, what="use")[0], shot.first_frame - info.first_frame
        have_first, have_last = begin + offset, end + offset
    first, last = shot.frames or (have_first, have_last)
    if shot.frames is not None:
        first, last = first - shot.handles, last + shot.handles
    if first < have_first or last > have_last:
        missing = [f"{first}-{have_first - 1}"] if first < have_first else []
        missing += [f"{have_last + 1}-{last}"] if last > have_last else []
        raise SettingError(
            f"{info.paths[0]}: lacks shot frames {', '.join(missing)}; it has {have_first} to {have_last}: "
            "shorten `frames` or `handles`"
        )
    return first, last


def source_reference(settings: ShotSettings, take: Take, first: int) -> int:
    """Return the source frame of the hero's reference.

    Raises
    ------
    SettingError
        If the hero does not have it.
    """
    shot, info = settings.shot, take.info
    frame = first if shot.reference is None else shot.reference
    source = frame - shot.first_frame + info.first_frame
    if not info.first_frame <= source <= info.last_frame:
        raise SettingError(f"{info.paths[0]}: reference names shot frame {frame}, which the hero does not have")
    return source


def look_at_hero(
    hero: HeroPart, folder: OutFolder, book: StageBook, options: BuildOptions, *, force: bool, progress: Progress
) -> HeroLook:
    """Survey the hero and find where it moved against its own reference frame, or recall that."""
    inputs = {**hero.describe_inputs(book), "reading": describe_reading(options), "checks": CHECKS}
    scratch = folder.scratch_folder("hero")
    kept = scratch / "look.npz"
    if not force and book.is_current("hero", inputs):
        known = recall_or_none(kept, HeroLook, progress=progress)
        if known is not None:
            return known
    luma = LumaSamples.plan(hero.take.info, pairs=2)
    proxies = survey_with_noise(
        hero.fitted, hero.settings, scratch, luma=luma, spread=options.spread, progress=progress
    )
    place = np.flatnonzero(proxies.source_frames == hero.reference)
    if not len(place):
        raise SettingError(
            f"{hero.paths[0]}: the reference frame lies outside `use` or is damaged; name another `reference`"
        )
    picture = np.asarray(proxies.rgb[int(place[0])], np.float32)
    with progress.step("register hero", None):
        registration = register_proxies(proxies, picture, np.zeros(len(proxies), bool), model="auto")
    frames = pick_origin_frames(proxies, registration, hero.reference)
    picture = average_frames(proxies, frames).astype(np.float32)
    checks, rest = check_built_steady(
        "hero", hero.fitted, proxies, registration, luma=luma, folder=scratch, progress=progress
    )
    look = HeroLook(
        Origin("hero", picture, hero.fitted.size, hero.working, len(frames), rest),
        registration,
        grade_locked("hero", registration, len(proxies)),
        (checks,),
    )
    keep_record(kept, look)
    book.record("hero", inputs, [str(kept.relative_to(folder.path))])
    return look


def pick_origin_frames(proxies: ProxyTake, registration: Registration, reference: int) -> list[int]:
    """Return the indices of the frames nearest to the reference that share its pose.

    Their mean is a better picture to register to than one noisy frame, and whoever moves drops out of it.
    """
    stretch = registration.stretch_at(reference)
    numbers = proxies.source_frames
    same = np.flatnonzero((numbers >= stretch.first) & (numbers <= stretch.last))
    nearest = np.argsort(np.abs(numbers[same] - reference), kind="stable")[:ORIGIN_FRAMES]
    return [int(k) for k in np.sort(same[nearest])]
