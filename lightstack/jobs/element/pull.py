"""Tries of a tossed thing: looked at against the empty set, ranked, and the chosen one pulled at full size."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import compare_framing
from lightstack.core.prop.mend import lay_mended
from lightstack.core.prop.path import RankedTry, TryFacts, rank_tries
from lightstack.core.prop.signs import prepare_known
from lightstack.core.shapes import cover_polygon
from lightstack.core.warp import is_identity, warp_picture
from lightstack.errors import MismatchedInput, SettingError, UnusableTake
from lightstack.jobs.clean.clean import SAME_FRAMING, CleanTake
from lightstack.jobs.clean.look import Material, look_at_material, say_apart
from lightstack.jobs.element.look import LookedTry, SmallSet, look_at_try, mend_set, solve_at
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.lamp_light import shrink_mean
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.unlit import code_step
from lightstack.records import BoolArray, FloatArray, Origin, Progress

__all__ = ["BareSet", "ElementRequest", "OpenTries", "PulledFrame", "Wishes", "open_tries", "pull_frames", "read_bare"]

MEAN_FRAMES = 48
MEND_FRAMES = 15
COVERS_ALL = 0.98  # of the picture under garbage

FigureAt = Callable[[int], FloatArray]  # shot frame -> (H, W) 0..1 in the origin's place


@dataclass(frozen=True, slots=True, eq=False)
class BareSet:
    """The empty set at full size ``light`` (H, W, 3), the mean of ``frames``, and what tries are registered to."""

    light: NDArray[np.float32]
    frames: int
    origin: Origin


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the best try is like. ``ends_inside``: corners in full-size pixels, () = anywhere; ``sharp``, ``free``:
    weights."""

    ends_inside: tuple[tuple[float, float], ...] = ()
    avoid_figure: bool = False
    sharp: float = 1.0
    free: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementRequest:
    """Which tries, and how they are looked at.

    ``frames``: source frames in each try, None = all; ``garbage``: polygons in full-size pixels where nothing counts;
    ``pick``: a try by number from 1, None = the best; ``figure_at``: the hold-out by shot frame, with ``at`` the shot
    frame of the element's first frame, or else ``offset`` from source to shot frames; ``hero``: his picture at rest.
    """

    tries: tuple[CleanTake, ...]
    frames: tuple[int | str, int | str] | None = None
    garbage: tuple[tuple[tuple[float, float], ...], ...] = ()
    wishes: Wishes = field(default_factory=Wishes)
    pick: int | None = None
    figure_at: FigureAt | None = None
    at: int | None = None
    offset: int = 0
    hero: Origin | None = None
    working: str | None = None
    options: BuildOptions = field(default_factory=BuildOptions)


@dataclass(frozen=True, slots=True, eq=False)
class OpenTries:
    """Tries after their look, best first in ``ranks``. ``bare`` (H, W, 3): the set, mended where the thing stood in it;
    ``mended`` (h, w) where; ``picked``: index of the try to pull."""

    looks: tuple[LookedTry, ...]
    ranks: tuple[RankedTry, ...]
    picked: int
    bare: BareSet
    mended: BoolArray
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PulledFrame:
    """One frame in the origin's place: ``alpha`` (H, W), ``own`` (H, W, 3) light times alpha, ``shade`` (H, W, 3)."""

    source_frame: int
    alpha: NDArray[np.float32]
    own: NDArray[np.float32]
    shade: NDArray[np.float32]


def read_bare(
    take: CleanTake, folder: Path, request: ElementRequest, *, origin: Origin | None = None, progress: Progress
) -> BareSet:
    """Average the empty take at full size, in the place of an origin (None: its own); tries are registered to it."""
    size = None if origin is None else origin.size
    part = open_fitted(
        take.settings, take.paths, name=take.name, size=size, working=request.working, options=request.options
    )
    with part as fitted:
        material = look_at_material(
            fitted, take.settings, (), origin, folder, spread=request.options.spread, progress=progress
        )
        wanted = [int(material.proxies.source_frames[k]) for k in material.usable]
        few = [wanted[i] for i in np.unique(np.linspace(0, len(wanted) - 1, MEAN_FRAMES).astype(int))]
        total, weight = np.zeros((*fitted.size, 3), np.float64), np.zeros((*fitted.size, 1), np.float64)
        with progress.step(f"average {take.name}", len(few)) as step:
            for _, light, inside in frames_at_origin(material, few):
                total += light * inside[..., None]
                weight += inside[..., None]
                step.advance()
    return BareSet((total / np.maximum(weight, 1)).astype(np.float32), len(few), material.as_origin())


def frames_at_origin(
    material: Material, numbers: Sequence[int]
) -> Iterator[tuple[int, NDArray[np.float32], BoolArray]]:
    """Give named source frames at full size in the origin's place, (H, W, 3), with where they are known, (H, W)."""
    fitted = material.fitted
    for frame in fitted.take.read_frames(list(numbers)):
        light = fitted.linear(frame)
        stretch = material.registration.stretch_at(frame.number)
        if is_identity(stretch.matrix):
            yield frame.number, light, np.ones(light.shape[:2], bool)
        else:
            moved, inside = warp_picture(light, stretch.matrix)
            yield frame.number, np.asarray(moved, np.float32), inside


def open_tries(
    request: ElementRequest, bare: BareSet, folder: Path, opened: ExitStack, *, progress: Progress
) -> OpenTries:
    """Open every try, follow the thing in each, and rank them.

    Raises
    ------
    MismatchedInput, SettingError, UnusableTake
        For tries of another framing, garbage over everything, and where no try can be used.
    """
    size = (bare.light.shape[0], bare.light.shape[1])
    materials = [
        look_at_one(number, take, request, bare, folder, opened, progress=progress)
        for number, take in enumerate(request.tries, start=1)
    ]
    lit = compare_lights(materials, bare.origin, request.hero)
    cut = draw_garbage(request.garbage, size, materials[0].proxies.rgb.shape[1:3])
    small = SmallSet(shrink_to(bare.light, materials[0].proxies.factor), bare.frames)
    found, without = mend_set(materials, small)
    left = found.mask
    if left.any():
        small = SmallSet(lay_mended(small.light, found.shown, left), bare.frames)
        bare = mend_full(materials, bare, left, without, progress=progress)
    looks = tuple(look_at_try(one, small, cut=cut, progress=progress) for one in materials)
    check_usable(request, looks)
    ranks = tuple(rank(request, looks, size))
    best = next(k for k, look in enumerate(looks) if look.told.name == ranks[0].name)
    picked = best if request.pick is None else request.pick - 1
    said = [w for one in materials for w in one.fitted.warnings] + lit + doubt(looks, picked, left)
    return OpenTries(looks, ranks, picked, bare, left, tuple(dict.fromkeys(said)))


def compare_lights(tries: Sequence[Material], empty: Origin, hero: Origin | None) -> list[str]:
    """Return a line where the empty take is lit otherwise than tries, or than the hero, are."""
    noise = tries[0].proxies.noise_proxy
    shown = [(one.proxies.name, one.mean) for one in tries]
    if hero is not None:
        shown.append((hero.name, hero.picture))
    apart = {name: said for name, picture in shown if (said := say_apart(empty.picture, picture, noise))}
    if not apart:
        return []
    return [
        f"{empty.name}: is lit otherwise than {', '.join(apart)} ({next(iter(apart.values()))}); shadow and edges lean "
        "on it: name the empty take that was filmed in the same light, with exposure and white locked"
    ]


def look_at_one(
    number: int,
    take: CleanTake,
    request: ElementRequest,
    bare: BareSet,
    folder: Path,
    opened: ExitStack,
    *,
    progress: Progress,
) -> Material:
    """Open, survey and register one try. Raises MismatchedInput where it shows another framing."""
    own = folder / f"try_{number}"
    own.mkdir(parents=True, exist_ok=True)
    size = (bare.light.shape[0], bare.light.shape[1])
    fitted: FittedTake = opened.enter_context(
        open_fitted(
            take.settings, take.paths, name=take.name, size=size, working=bare.origin.primaries,
            options=request.options,
        )
    )  # fmt: skip
    ranges = () if request.frames is None else (request.frames,)
    material = look_at_material(
        fitted, take.settings, ranges, bare.origin, own, spread=request.options.spread, progress=progress
    )
    if compare_framing(material.mean, bare.origin.picture) < SAME_FRAMING:
        raise MismatchedInput(
            f"{take.paths[0]}: does not show the framing of {bare.origin.name}; leave it out, or name the empty take "
            "that was filmed from the same place"
        )
    return material


def shrink_to(picture: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Average a picture down to survey size."""
    return picture if factor == 1 else np.asarray(shrink_mean(picture, factor), np.float32)


def draw_garbage(
    polygons: Sequence[Sequence[tuple[float, float]]], size: tuple[int, int], small: tuple[int, ...]
) -> BoolArray | None:
    """Return where nothing counts, (h, w) at survey size. Raises SettingError where nothing is left."""
    if not polygons:
        return None
    scale = np.array([small[1] / size[1], small[0] / size[0]])
    covers = [cover_polygon(np.array(one, np.float64) * scale, (small[0], small[1])) for one in polygons]
    cut = np.asarray(np.max(covers, axis=0) > 0.5)
    if cut.mean() > COVERS_ALL:
        raise SettingError("garbage: covers the whole picture; draw it round the hand only")
    return cut


def mend_full(
    materials: Sequence[Material],
    bare: BareSet,
    left: BoolArray,
    without: Sequence[tuple[int, int]],
    *,
    progress: Progress,
) -> BareSet:
    """Lay what tries show at full size over the empty picture where the thing stood in it.

    ``without``: try and source frame of frames that show the set there.
    """
    height, width = bare.light.shape[:2]
    rows, columns = np.flatnonzero(left.any(axis=1)), np.flatnonzero(left.any(axis=0))
    factor, pad = materials[0].proxies.factor, 6
    box = (
        slice(max(0, factor * (rows[0] - pad)), min(height, factor * (rows[-1] + 1 + pad))),
        slice(max(0, factor * (columns[0] - pad)), min(width, factor * (columns[-1] + 1 + pad))),
    )
    pieces = []
    with progress.step("mend the set", None):
        few = [without[i] for i in np.unique(np.linspace(0, len(without) - 1, MEND_FRAMES).astype(int))]
        for number, one in enumerate(materials):
            own = sorted(frame for t, frame in few if t == number)
            pieces += [light[box].copy() for _, light, _ in frames_at_origin(one, own)]
    mended = bare.light.copy()
    mended[box] = np.median(np.stack(pieces), axis=0)
    return BareSet(lay_mended(bare.light, mended, left), bare.frames, bare.origin)


def check_usable(request: ElementRequest, looks: Sequence[LookedTry]) -> None:
    """Refuse tries of which none, or not the one asked for, can be used."""
    if request.pick is not None and not 1 <= request.pick <= len(looks):
        there = "there is only one" if len(looks) == 1 else f"name one from 1 to {len(looks)}"
        raise SettingError(f"pick: try {request.pick} was asked for; {there}")
    wanted = range(len(looks)) if request.pick is None else [request.pick - 1]
    if all(looks[k].followed is None for k in wanted):
        first = wanted[0]
        path = request.tries[first].paths[0]
        raise UnusableTake(f"{path}: {looks[first].told.trouble}")


def rank(request: ElementRequest, looks: Sequence[LookedTry], size: tuple[int, int]) -> list[RankedTry]:
    """Rank the tries by the wishes."""
    wishes = request.wishes
    facts = [
        TryFacts(
            look.told.name, share_inside(look, wishes.ends_inside, size), share_over_figure(look, request),
            look.told.width_px, look.told.free_frames, look.told.trouble,
        )
        for look in looks
    ]  # fmt: skip
    return rank_tries(facts, avoid_figure=wishes.avoid_figure, sharp=wishes.sharp, free=wishes.free)


def share_inside(look: LookedTry, polygon: Sequence[tuple[float, float]], size: tuple[int, int]) -> float | None:
    """Return what share of the thing lies inside a polygon where it is last seen; None where none was wished."""
    matte = next((m for m in reversed(look.mattes) if m is not None), None)
    if not polygon or matte is None:
        return None
    corners = np.array(polygon, np.float64) / look.material.proxies.factor
    small = look.material.proxies.rgb.shape[1:3]
    cover = cover_polygon(corners, (small[0], small[1]))[matte.box]
    return float((cover * matte.piece).sum() / max(float(matte.piece.sum()), 1e-9))


def share_over_figure(look: LookedTry, request: ElementRequest) -> float | None:
    """Return the largest share of the thing that lies over the figure on any frame; None where it is not judged."""
    if request.figure_at is None or look.followed is None or not request.wishes.avoid_figure:
        return None
    worst, factor = 0.0, look.material.proxies.factor
    for number, matte in zip(look.told.source_frames, look.mattes, strict=True):
        if matte is None:
            continue
        shot_frame = request.offset + int(number) if request.at is None else request.at + int(number) - look.told.first
        figure = request.figure_at(shot_frame)
        small = shrink_to(np.repeat(figure[..., None], 3, axis=2), factor)[..., 0]
        over = float((small[matte.box] * matte.piece).sum() / max(float(matte.piece.sum()), 1e-9))
        worst = max(worst, over)
    return worst


def doubt(looks: Sequence[LookedTry], picked: int, left: BoolArray) -> list[str]:
    """Return a line for everything about the tries that a person should know."""
    lines = []
    if left.any():
        rows, columns = np.nonzero(left)
        factor = looks[0].material.proxies.factor
        ends = [factor * int(v) for v in (columns.min(), columns.max(), rows.min(), rows.max())]
        where = f"x {ends[0]}-{ends[1]}, y {ends[2]}-{ends[3]}"
        lines.append(f"the empty take shows the thing itself at {where}; the set there was taken from the tries")
    told = looks[picked].told
    inside = (told.source_frames >= told.first) & (told.source_frames <= told.last)
    missing = told.source_frames[inside & ~np.isfinite(told.centres[:, 0])]
    if len(missing):
        lines.append(f"{told.name}: frames {list_numbers(missing)} do not show the thing alone and are left out")
    return lines


def list_numbers(numbers: NDArray[np.int64]) -> str:
    """Return numbers as ranges: 3-5, 8."""
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1)
    return ", ".join(f"{p[0]}-{p[-1]}" if len(p) > 1 else f"{p[0]}" for p in parts)


def pull_frames(tries: OpenTries, request: ElementRequest, *, progress: Progress) -> Iterator[PulledFrame]:
    """Give the picked try's frames at full size, those on which the thing is seen alone."""
    look, bare = tries.looks[tries.picked], tries.bare
    material, followed = look.material, look.followed
    assert followed is not None
    proxies, size = material.proxies, (bare.light.shape[0], bare.light.shape[1])
    step_light = code_step(material.fitted.take.info.encoding)
    known = prepare_known(bare.light, proxies.noise_full, frames=bare.frames, step=step_light)
    cut = draw_garbage(request.garbage, size, proxies.rgb.shape[1:3])
    index = {int(n): i for i, n in enumerate(look.told.source_frames) if followed.prop[i] is not None}
    with progress.step(f"pull {look.told.name}", len(index)) as step:
        for number, light, inside in frames_at_origin(material, sorted(index)):
            i = index[number]
            lit = np.where(inside[..., None], light / look.levels[i], known.light)
            alpha, own, shade = solve_at(
                lit, known, followed, i, colour=look.colour, noise=known.noise, scale=proxies.factor, cut=cut
            )
            yield PulledFrame(number, alpha, own * look.levels[i], shade)
            step.advance()
