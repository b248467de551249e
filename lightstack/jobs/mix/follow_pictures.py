"""Levels of a take, a movie or a rendered pass, frame by frame: measured in one pass over full-size frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import luminance_weights
from lightstack.core.shapes import cover_polygon, touches_picture
from lightstack.errors import SettingError
from lightstack.files.folder import OutFolder
from lightstack.files.kept.identity import StageBook, hash_value
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.read.masks import MaskPictures, find_masks, read_mask
from lightstack.files.shot.schema import Follow, ShotSettings, TakeSettings
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.stage.standing import describe_reading, identify_take
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import CodedFrame, FollowedLevel, Progress
from lightstack.report.phrases import say_ranges

__all__ = ["find_take", "follow_pictures", "list_take_names"]

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Area:
    """Where the mean is taken: the box (rows, columns) and the weights ``(h, w)`` within it."""

    rows: slice
    columns: slice
    weights: NDArray[np.float32] | None  # None: all alike


AreaAt = Callable[[int], Area | None]


def follow_pictures(
    wish: Follow,
    settings: ShotSettings,
    hero: HeroPart,
    *,
    wanted: tuple[int, int],
    book: StageBook,
    options: BuildOptions,
    progress: Progress,
) -> FollowedLevel:
    """Return the levels of what a follower names over shot frames ``wanted``, as far as it has them, or recall them.

    Raises
    ------
    SettingError
        If it has none of the frames, or the area lies outside the picture or is empty.
    """
    take, paths = find_take(wish, settings)
    inputs = {
        "schema": SCHEMA,
        "files": identify_take(book, take, paths),
        "take": take.model_dump(mode="json"),
        "area": [wish.region, wish.channel, wish.matte],
        "matte": [] if wish.matte is None else book.identify([settings.locate(wish.matte)]),
        "numbers": [wish.path is not None, settings.shot.first_frame, *wanted],
        "working": hero.working,
        "reading": describe_reading(options),
    }
    folder = book.folder
    stage = f"follow {hash_value(inputs)[:16]}"
    kept = folder.scratch_folder("follow") / f"{stage[7:]}.npz"
    if not options.force and book.is_current(stage, inputs):
        known = recall_or_none(kept, FollowedLevel, progress=progress)
        if known is not None:
            return known
    level = measure_take(wish, settings, take, paths, hero, wanted=wanted, options=options, progress=progress)
    keep_record(kept, level)
    book.record(stage, inputs, [_relative(kept, folder)])
    return level


def _relative(path: Path, folder: OutFolder) -> str:
    return str(path.relative_to(folder.path))


def list_take_names(settings: ShotSettings) -> dict[str, TakeSettings]:
    """Return the takes and sweeps that can be followed, by name."""
    takes: dict[str, Any] = {name: getattr(settings.takes, name) for name in type(settings.takes).model_fields}
    found = {name: take for name, take in takes.items() if take is not None}
    return {**{sweep.name: sweep for sweep in settings.sweep}, **found}


def find_take(wish: Follow, settings: ShotSettings) -> tuple[TakeSettings, tuple[Path, ...]]:
    """Return how a follower's pictures are read, and where they lie. Raises SettingError for an unknown name."""
    if wish.path is not None:
        return TakeSettings(path=(wish.path,), colour=wish.colour), (settings.locate(wish.path),)
    known = list_take_names(settings)
    if wish.take not in known:
        there = f"there are {', '.join(known)}" if known else "there are none"
        raise SettingError(f'mix.follow: take = "{wish.take}": there is no such take or sweep; {there}')
    take = known[wish.take]
    return take, settings.take_paths(take)


@contextmanager
def _open(
    wish: Follow, take: TakeSettings, paths: tuple[Path, ...], hero: HeroPart, options: BuildOptions
) -> Iterator[FittedTake]:
    name = wish.take or Path(str(wish.path)).name
    with open_fitted(take, paths, name=name, size=None, working=hero.working, options=options) as fitted:
        yield fitted


def measure_take(
    wish: Follow,
    settings: ShotSettings,
    take: TakeSettings,
    paths: tuple[Path, ...],
    hero: HeroPart,
    *,
    wanted: tuple[int, int],
    options: BuildOptions,
    progress: Progress,
) -> FollowedLevel:
    """Measure the levels in one forward pass. Raises as ``follow_pictures`` does."""
    with _open(wish, take, paths, hero, options) as fitted:
        info = fitted.take.info
        numbered = wish.path is not None and info.kind == "stills"
        shift = 0 if numbered else settings.shot.first_frame - info.first_frame
        first, last = max(wanted[0], info.first_frame + shift), min(wanted[1], info.last_frame + shift)
        if first > last:
            have = f"{info.first_frame + shift} to {info.last_frame + shift}"
            raise SettingError(
                f"{info.paths[0]}: has shot frames {have}, the mix asks for {wanted[0]} to {wanted[1]}; set the "
                f"follower's `delay`{', or number the stills by shot frames' if numbered else ''}"
            )
        area_at = make_area(wish, settings, fitted.size)
        weights = _channel_weights(wish, hero.working)
        levels = np.full(last - first + 1, np.nan)
        with progress.step(f"follow {info.name}", len(levels)) as step:
            for frame in fitted.take.frames(first - shift, last - shift):
                number = frame.number + shift
                area = area_at(number)
                if area is not None:
                    levels[number - first] = measure_area(read_rows(fitted, frame, area), area, weights)
                step.advance()
        return _fill(levels, first, info.paths[0], tuple(fitted.warnings))


def _channel_weights(wish: Follow, working: str) -> NDArray[np.float64]:
    if wish.channel == "luminance":
        return luminance_weights(working)
    return np.eye(3)["rgb".index(wish.channel)]


def _fill(levels: NDArray[np.float64], first: int, path: Path, warnings: tuple[str, ...]) -> FollowedLevel:
    """Bridge frames of which nothing could be measured. Raises SettingError where there are no others."""
    known = np.isfinite(levels)
    if not known.any():
        raise SettingError(
            f"{path}: nothing could be measured on any frame, for the matte is black on all of them; white is what is "
            "followed"
        )
    if known.all():
        return FollowedLevel(float(first), 1.0, levels, warnings)
    places = np.arange(len(levels))
    filled = np.interp(places, places[known], levels[known])
    missing = say_ranges((first + places[~known]).tolist())
    line = f"{path}: nothing could be followed at shot frames {missing}; the level runs straight across them"
    return FollowedLevel(float(first), 1.0, filled, (*warnings, line))


def read_rows(fitted: FittedTake, frame: CodedFrame, area: Area) -> NDArray[np.float32]:
    """Return the lines of a frame that an area reaches, ``(h, W, 3)`` linear light, converting no others where that
    can be done."""
    if area.rows.start is None or not fitted.reads_rows(frame):
        return fitted.linear(frame)[area.rows]
    lines = np.empty((area.rows.stop - area.rows.start, fitted.size[1], 3), np.float32)
    return fitted.take.linear_rows(frame, area.rows.start, area.rows.stop, lines)


def measure_area(lines: NDArray[np.float32], area: Area, weights: NDArray[np.float64]) -> float:
    """Return the weighted mean over an area of the lines ``(h, W, 3)`` that it reaches.

    Every line is summed by itself in single precision, the lines in double.
    """
    box = lines[:, area.columns]
    cover = np.ones(box.shape[:2], np.float32) if area.weights is None else area.weights
    sums = np.matmul(cover[:, None, :], box)[:, 0].sum(axis=0, dtype=np.float64)
    return float(sums @ weights) / float(cover.sum(dtype=np.float64))


def make_area(wish: Follow, settings: ShotSettings, size: tuple[int, int]) -> AreaAt:
    """Return where the mean is taken, by shot frame. Raises SettingError for an area that is empty or outside."""
    if wish.region is not None:
        corners = np.asarray(wish.region, np.float64)
        if not touches_picture(corners, size):
            raise SettingError(
                f"mix.follow: the region lies outside the picture of {size[1]} x {size[0]}; write its corners in "
                "pixels of what is followed"
            )
        area = crop_area(cover_polygon(corners, size))
        return lambda frame: area
    if wish.matte is not None:
        pictures = find_masks(settings.locate(wish.matte))
        if not pictures.numbered:
            single = crop_area(read_mask(pictures.paths[None], size))
            if single is None:
                raise SettingError(f"{pictures.name}: is black all over; white is what is followed")
            return lambda frame: single
        return _area_by_frame(pictures, size)
    whole = Area(slice(None), slice(None), None)
    return lambda frame: whole


def _area_by_frame(pictures: MaskPictures, size: tuple[int, int]) -> AreaAt:
    kept: dict[Path, Area | None] = {}

    def area_at(frame: int) -> Area | None:
        path = pictures.nearest(frame)[1]
        if path not in kept:
            kept.clear()
            kept[path] = crop_area(read_mask(path, size))
        return kept[path]

    return area_at


def crop_area(mask: NDArray[np.float32]) -> Area | None:
    """Return the box round a mask ``(H, W)`` with its weights; None where it is black all over."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return None
    down, across = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
    return Area(down, across, np.ascontiguousarray(mask[down, across]))
