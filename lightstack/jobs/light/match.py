"""`lightstack match`: which lamp stills, and how much of each, come nearest to a painted or rendered picture."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import compare_framing
from lightstack.core.colour.display import display_srgb
from lightstack.core.lamp.match import match_target
from lightstack.errors import MismatchedInput, MissingInput, SettingError
from lightstack.files.folder import claimed_folder, real_path, write_whole
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.stack import LightStack
from lightstack.files.read.masks import read_mask
from lightstack.files.read.sequences import STILL_SUFFIXES
from lightstack.files.read.takes import open_take
from lightstack.files.shot.schema import Light, ShotSettings, TakeSettings
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.travel_tables import write_weights
from lightstack.jobs.frame.shot_frames import move_whole
from lightstack.jobs.light.filled import fill_or_recall, read_small, shrink, small_size
from lightstack.jobs.light.lamp_places import places_or_none
from lightstack.jobs.light.plates import find_sweep, notes_of, open_working, read_unlit
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart, look_at_hero, open_hero
from lightstack.jobs.stage.sweep_stage import build_or_recall
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.options import BuildOptions, check_ocio
from lightstack.jobs.takes.poses import pose_of
from lightstack.jobs.takes.reading import check_colour
from lightstack.records import BuiltSweep, FloatArray, HeroLook, Progress, TargetMatch
from lightstack.report.match import draw_match
from lightstack.report.phrases import say_share

__all__ = ["MatchRequest", "MatchResult", "match_shot"]

MOST_PRICE = 0.1  # of a still, at --sparse 1
DARK = 1e-4  # linear light: a target below it everywhere asks for no light
SHOWN = 12  # stills listed
SAME_ROOM = 0.2  # likeness of texture: made rooms painted over reach 0.4, photographs and other rooms 0.16
LEAST_BOX = 24  # pixels on a side in which texture is compared


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchRequest:
    """``target``: the picture; ``light``: by name, None = the first; ``frame``: the hero's shot frame that it was
    painted over (None: over the room as the sweep's unlit frames show it); ``regions``: a picture whose brightness says
    how much a place counts; ``sparse``: 0 = as many stills as help, 1 = as few as do nearly as well; ``colour``: the
    target's encoding."""

    target: Path
    light: str | None = None
    frame: int | None = None
    regions: Path | None = None
    sparse: float = 0.0
    colour: str = "auto"


@dataclass(frozen=True, slots=True)
class MatchResult:
    """``weights``: (source frame, weight), the largest first; ``error``: of the light asked for, rms, as a share;
    ``unreached``: share of the target's light that no sum of stills gives."""

    out: Path
    files: tuple[str, ...]
    light: str
    weights: tuple[tuple[int, float], ...]
    error: float
    unreached: float
    warnings: tuple[str, ...]
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """What is asked for, at a small size: ``target`` (h, w, 3), ``bare`` (h, w, 3) the room without the light,
    ``counts`` (h, w) how much a place counts."""

    target: FloatArray
    bare: FloatArray
    counts: NDArray[np.float32] | None
    warnings: tuple[str, ...]


def match_shot(shot_path: Path, request: MatchRequest, *, options: BuildOptions, progress: Progress) -> MatchResult:
    """Find the weights of a light's stills that come nearest to a target; its sweep is built first where it is not.

    Raises
    ------
    LightstackError
        For a shot without sweeps, a target of another shape, of another room or all black, fewer than two stills.
    """
    check_ocio(options)
    settings = read_shot(shot_path)
    light = pick_light(settings, request.light)
    check_request(request, options)
    with claimed_folder(settings.out, progress) as folder, open_hero(settings, options) as hero:
        book = StageBook(folder, verify=options.verify)
        shot = settings.shot
        delivery = Delivery(folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
        seen = None
        if hero is not None:
            seen = look_at_hero(hero, folder, book, options, force=False, progress=progress)
        sweep = find_sweep(settings, light)
        built = build_or_recall(delivery, settings, sweep, hero, seen, options, force=False, progress=progress)
        stack = open_working(delivery, built)
        if stack.shape.stills < 2:
            raise SettingError(
                f"{sweep.name}: has {stack.shape.stills} lamp still; a match needs at least two: raise `max_keys` or "
                "`coverage`, or name more `keys`"
            )
        places = places_or_none(delivery, sweep, built, force=False, progress=progress)
        filled = fill_or_recall(delivery, sweep, built, places, options, force=False, progress=progress)
        with progress.step("match", None):
            asked = read_target(request, settings, delivery, built, hero, seen, stack, options)
            stills, valid = read_small(filled.open(), small_size((stack.shape.height, stack.shape.width)))
            check_framing(request, asked, stills)
            found = match_target(
                stills, valid, asked.target,
                ambient=asked.bare, weight=asked.counts, sparsity=MOST_PRICE * request.sparse,
            )  # fmt: skip
        if not found.used.any():
            where = "" if request.regions is None else f" where {request.regions.name} counts"
            raise SettingError(
                f"{request.target}: no still comes nearer to it{where} than the room without the lamp; check what it "
                "was painted over (--frame), and its exposure"
            )
        return deliver_match(delivery, light, built, found, asked, request, shot_path.parent)


def check_request(request: MatchRequest, options: BuildOptions) -> None:
    """Refuse a request that no shot could answer, before anything is built. Raises LightstackError."""
    if not 0 <= request.sparse <= 1:
        raise SettingError(f"--sparse is {request.sparse:g}; it runs from 0, every still that helps, to 1, few stills")
    if request.frame is not None and request.frame < 0:
        raise SettingError(f"--frame {request.frame}: is no frame of a shot; name the hero frame that was painted over")
    if request.colour != "auto":
        check_colour(request.colour, config=options.ocio)
    for option, picture in (("--target", request.target), ("--regions", request.regions)):
        if picture is not None and not picture.exists():
            raise MissingInput(f"{option} {picture}: nothing is there; check the path of the picture")
        if picture is not None and picture.is_dir():
            raise SettingError(f"{option} {picture}: is a folder; name one picture in it")
    check_target(request.target)


def check_target(target: Path) -> None:
    """Refuse a target that is no picture. Raises SettingError; UnreadableInput where it cannot be read."""
    if target.suffix.lower() not in STILL_SUFFIXES:
        raise SettingError(
            f"--target {target}: is no picture by its name; name one frame as {', '.join(STILL_SUFFIXES[:-1])}, the "
            "room painted as it should look lit"
        )
    with open_take(target, name="target"):
        pass


def check_framing(request: MatchRequest, asked: Asked, stills: FloatArray) -> None:
    """Refuse a target that shows another room than the stills (K, h, w, 3) do. Raises MismatchedInput.

    Notes: what is painted over a frame, or rendered, keeps the room's outlines, as they show in its own light or in the
    lamp's; only where the target counts.
    """
    counts = np.ones(asked.bare.shape[:2], bool) if asked.counts is None else asked.counts > 0
    rows, columns = (np.flatnonzero(counts.any(axis=axis)) for axis in (1, 0))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    if min(asked.bare[box].shape[:2]) < LEAST_BOX:
        return
    known = (asked.bare, asked.bare + np.asarray(stills, np.float32).sum(axis=0))
    if max(compare_framing(asked.target[box], room[box]) for room in known) < SAME_ROOM:
        raise MismatchedInput(
            f"--target {request.target}: does not show the room of this shot; paint over a frame of it, of the same "
            "framing, or render that"
        )


def pick_light(settings: ShotSettings, name: str | None) -> Light:
    """Return the light of that name, the first where none is named. Raises SettingError where there is none."""
    if not settings.light:
        raise SettingError(f"{settings.path}: has no [[light]]; add one for its sweep")
    if name is None:
        return settings.light[0]
    found = next((light for light in settings.light if light.name == name), None)
    if found is None:
        known = ", ".join(light.name for light in settings.light)
        raise SettingError(f"--light {name}: {settings.path} has no such light; it has {known}")
    return found


def read_target(
    request: MatchRequest,
    settings: ShotSettings,
    delivery: Delivery,
    built: BuiltSweep,
    hero: HeroPart | None,
    seen: HeroLook | None,
    stack: LightStack,
    options: BuildOptions,
) -> Asked:
    """Read the target, and what the room shows without the light, in the space and place of the stills.

    Raises SettingError where the target asks for no light.
    """
    size = (stack.shape.height, stack.shape.width)
    small = small_size(size)
    wish = TakeSettings(path=(str(request.target),), colour=request.colour)
    with open_fitted(
        wish, [request.target], name="target", size=size, working=built.primaries, options=options
    ) as target:
        picture = shrink(read_named(target, request.target), small)
        warnings = tuple(line for line in target.warnings)
    bare = shrink(read_room(request, settings, delivery, built, hero, seen), small)
    if float(picture.max()) < DARK or float((picture - bare).max()) < DARK:
        what = "is black" if float(picture.max()) < DARK else "is nowhere brighter than the room without the lamp"
        raise SettingError(f"{request.target}: {what}, so it asks for no light; paint the room as it should look lit")
    counts = None if request.regions is None else shrink(read_mask(request.regions, size)[..., None], small)[..., 0]
    if counts is not None and float(counts.max()) <= 0:
        raise SettingError(f"{request.regions}: is black everywhere, so no place counts; white counts most")
    return Asked(picture, bare, counts, warnings)


def read_named(target: FittedTake, path: Path) -> FloatArray:
    """Return the picture of that name, (H, W, 3); numbered ones may lie beside it."""
    info = target.take.info
    named = [real_path(one) for one in info.paths].index(real_path(path))
    (frame,) = target.take.read_frames([info.first_frame + named])
    return target.linear(frame)


def read_room(
    request: MatchRequest,
    settings: ShotSettings,
    delivery: Delivery,
    built: BuiltSweep,
    hero: HeroPart | None,
    seen: HeroLook | None,
) -> FloatArray:
    """Return the room without the light, (H, W, 3): a hero frame in the origin's place, else the sweep's ambient."""
    if request.frame is None:
        return read_unlit(delivery, built)
    if hero is None or seen is None:
        raise SettingError("--frame names a hero frame, but the shot has no [takes.hero]; leave it out")
    first, last = hero.frames
    if not first <= request.frame <= last:
        raise SettingError(f"--frame {request.frame} lies outside the shot's frames {first} to {last}")
    number = request.frame - settings.shot.first_frame + hero.take.info.first_frame
    (frame,) = hero.take.read_frames([number])
    return move_whole(hero.fitted.linear(frame), pose_of(seen.registration, frame.number))


def deliver_match(
    delivery: Delivery, light: Light, built: BuiltSweep, found: TargetMatch, asked: Asked, request: MatchRequest,
    shot_folder: Path,
) -> MatchResult:  # fmt: skip
    """Write weights and pictures, and say what was found and what to do with it."""
    frames = notes_of(built).source_frames.tolist()
    stem = delivery.stem("match", light.name)
    names = (f"{stem}.csv", f"{stem}.png")
    write_weights(delivery.folder.file(names[0]), frames, found.weights)
    rooms = (asked.target, np.asarray(asked.bare + found.reached, np.float32))
    shown = [display_srgb(room, built.primaries) for room in rooms]
    write_whole(delivery.folder.file(names[1]), draw_match(shown[0], shown[1], found.missed_stops))
    order = np.argsort(-found.weights, kind="stable")
    used = tuple((frames[k], float(found.weights[k])) for k in order if found.weights[k] > 0)
    unreached = find_unreached(asked, found)
    return MatchResult(
        out=delivery.folder.path,
        files=names,
        light=light.name,
        weights=used,
        error=found.error,
        unreached=unreached,
        warnings=asked.warnings,
        lines=say_match(delivery, light, used, found, unreached, names, request, shot_folder),
    )


def find_unreached(asked: Asked, found: TargetMatch) -> float:
    """Return the share of the asked light that no sum of stills gives, 0 to 1."""
    want = np.clip(asked.target - asked.bare, 0, None).sum(axis=2)
    short = np.clip(want - np.clip(found.reached, 0, None).sum(axis=2), 0, None)
    weight = np.ones_like(want) if asked.counts is None else asked.counts
    return float((short * weight).sum() / max(float((want * weight).sum()), 1e-12))


def say_match(
    delivery: Delivery,
    light: Light,
    used: Sequence[tuple[int, float]],
    found: TargetMatch,
    unreached: float,
    names: tuple[str, str],
    request: MatchRequest,
    shot_folder: Path,
) -> tuple[str, ...]:
    """Return what people read: the weights, what is missing, and how a shot file takes them up."""
    listed = ", ".join(f"still {frame} x {weight:.3g}" for frame, weight in used[:SHOWN])
    more = f" and {len(used) - SHOWN} more" if len(used) > SHOWN else ""
    out = delivery.folder.path
    table = Path(os.path.relpath(out / names[0], shot_folder)).as_posix()
    return (
        f"{light.name}: {len(used)} stills come nearest to {request.target.name}: {listed}{more}",
        f"left between both: {say_share(found.error)} of the light asked for (root mean square); "
        f"{say_share(unreached)} of it no still gives: {names[1]} shows where",
        f"written: {out / names[0]}, {out / names[1]}",
        f'to lay it: in [[light]] "{light.name}" write using = "stills" and weights = "{table}"',
    )
