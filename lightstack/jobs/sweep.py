"""One sweep, from footage to plate: looked at once, then only the frames that are needed whole."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.accumulate import AccumulateSetting
from lightstack.core.choose import REC709_LUMINANCE, choose_key_frames, light_values
from lightstack.core.even import even_gains, measure_level
from lightstack.core.guide import GuideRecipe, measure_guide_noise, plan_guide
from lightstack.core.hot_pixels import find_hot_pixels
from lightstack.core.reach import find_holes, find_reached
from lightstack.core.residue import floor_residue
from lightstack.core.sums import dwell_weights
from lightstack.errors import UnusableTake
from lightstack.files.schema import Sweep, TakeSettings
from lightstack.files.stack import LightStack, StackShape, create_stack
from lightstack.files.tables import timecode_at
from lightstack.jobs.accumulate import Plate, accumulate_stack
from lightstack.jobs.ambient import Ambient, average_ambient, pick_frames
from lightstack.jobs.footage import FittedTake, open_fitted, resolve_frames, resolve_ranges
from lightstack.jobs.lamp_light import is_blocked
from lightstack.jobs.look import (
    SweepLook,
    find_passers,
    look_at_sweep,
    shrink_noise,
    survey_with_noise,
)
from lightstack.jobs.marks import draw_marks
from lightstack.jobs.options import BuildOptions
from lightstack.jobs.stills import StillPlan, colour_of, fill_stack
from lightstack.records import Choice, Hole, KeyFrame, Origin, Progress, ProxyTake, TakeInfo


@dataclass(frozen=True, slots=True)
class SweepRequest:
    """One sweep to build: its settings and files, the empty take, and what it is registered to."""

    settings: Sweep
    paths: tuple[Path, ...]
    empty: tuple[TakeSettings, tuple[Path, ...]] | None = None
    origin: Origin | None = None
    working: str | None = None
    options: BuildOptions = field(default_factory=BuildOptions)


@dataclass(frozen=True, slots=True)
class SweepOutcome:
    """Everything a sweep gave; pictures are full size and registered."""

    info: TakeInfo
    empty_info: TakeInfo | None
    look: SweepLook
    choice: Choice
    keys: tuple[KeyFrame, ...]
    ambient: Ambient
    recipe: GuideRecipe
    stack: LightStack
    plate: Plate
    reach: NDArray[np.bool_]
    holes: tuple[Hole, ...]
    primaries: str
    decoded: int
    run_in: int


def build_sweep(request: SweepRequest, folder: Path, *, progress: Progress) -> SweepOutcome:
    """Make the light stack and the plate of one sweep; ``folder`` is its place in the scratch folder.

    Raises
    ------
    UnusableTake
        If nothing can be made of the sweep: no ambient, no change of light, no frame left to choose.
    """
    settings = request.settings
    with ExitStack() as opened:
        sweep = opened.enter_context(open_part(request, settings, request.paths, settings.name))
        empty_take: FittedTake | None = None
        bare: ProxyTake | None = None
        if request.empty is not None:
            empty_take = opened.enter_context(open_part(request, *request.empty, "empty", sweep.size))
            bare = survey_with_noise(empty_take, request.empty[0], folder, progress=progress)
        look = look_at_sweep(
            sweep, settings, origin=request.origin, empty=bare, folder=folder, progress=progress
        )
        choice = choose_frames(look, settings, sweep)
        ambient = average_needed(look, choice, sweep, empty_take, progress=progress)
        keys = describe_keys(look, choice, settings, sweep.take.info)
        recipe = plan_recipe(look, ambient, settings)
        shape = StackShape(*sweep.size, len(keys), len(recipe.projection))
        stack = create_stack(folder / "light_stack.bands", shape)
        fill_stack(
            sweep,
            plan_stills(look, keys, settings, sweep),
            stack,
            registration=look.registration,
            ambient=ambient,
            recipe=recipe,
            hot=find_hot_pixels(ambient.light, noise=ambient.noise),
            threads=request.options.threads,
            progress=progress,
        )
        plate = make_plate_of(stack, ambient, recipe, look, keys, settings, request.options.threads)
        reach = find_reached(plate.peak, valid=plate.valid)
        return SweepOutcome(
            sweep.take.info,
            None if empty_take is None else empty_take.take.info,
            look,
            choice,
            keys,
            ambient,
            recipe,
            stack,
            plate,
            reach,
            find_holes(reach),
            request.working or sweep.take.info.encoding.primaries,
            sweep.take.decoded_count,
            sweep.take.run_in_count,
        )


def open_part(
    request: SweepRequest,
    settings: TakeSettings,
    paths: Sequence[Path],
    name: str,
    size: tuple[int, int] | None = None,
) -> AbstractContextManager[FittedTake]:
    """Open one take of the request, fitted to the origin's size where there is one."""
    size = size if request.origin is None else request.origin.size
    return open_fitted(
        settings, paths, name=name, size=size, working=request.working, options=request.options
    )


def choose_frames(look: SweepLook, settings: Sweep, sweep: FittedTake) -> Choice:
    """Choose the key frames: those set by hand, else by coverage."""
    numbers = look.proxies.source_frames
    place = {int(number): k for k, number in enumerate(numbers)}
    excluded = {
        place[number]
        for first, last in resolve_ranges(settings.exclude, sweep.take, what="exclude")
        for number in range(first, last + 1)
        if number in place
    }
    required = [place[f] for f in resolve_frames(settings.keys, sweep.take, what="keys") if f in place]
    valid = ~is_blocked(look.blocked)
    sigma = luminance_sigma(look)
    values = light_values(look.light, valid, sigma=sigma, weights=look.table.weight)
    excluded |= {int(k) for k in np.flatnonzero(~look.table.lamp_on)} - set(required)
    choice = choose_key_frames(
        values,
        coverage=settings.coverage,
        max_keys=len(required) or settings.max_keys,
        required=required,
        excluded=excluded - set(required),
    )
    if not choice.order:
        raise UnusableTake(
            f"{sweep.take.info.paths[0]}: no frame holds lamp light above the noise; "
            "check that the lamp was on and that the right take was named"
        )
    return choice


def luminance_sigma(look: SweepLook) -> NDArray[np.float32]:
    """Return the noise (h', w') of one frame's luminance at small size."""
    small = look.small_ambient
    noise = shrink_noise(look.proxies.noise_proxy, look.factor // look.proxies.factor)
    weights = np.asarray(REC709_LUMINANCE)
    return np.sqrt((noise.sigma(small) ** 2) @ (weights**2)).astype(np.float32)


def average_needed(
    look: SweepLook,
    choice: Choice,
    sweep: FittedTake,
    empty_take: FittedTake | None,
    *,
    progress: Progress,
) -> Ambient:
    """Average the ambient at full size from the sweep's own dark frames, else from the empty take."""
    if look.own_ambient:
        dark = look.proxies.source_frames[look.lamp_off].tolist()
        first = int(look.proxies.source_frames[list(choice.order)].min())
        frames = pick_frames(dark, first)
        passers = find_passers(look.proxies, look.registration, look.ambient, frames)
        return average_ambient(sweep, frames, look.registration, passers=passers, progress=progress)
    assert look.empty is not None and empty_take is not None
    frames = pick_frames(look.empty.proxies.source_frames.tolist(), None)
    passers = find_passers(look.empty.proxies, look.empty.registration, look.empty.ambient, frames)
    return average_ambient(empty_take, frames, look.empty.registration, passers=passers, progress=progress)


def describe_keys(look: SweepLook, choice: Choice, settings: Sweep, info: TakeInfo) -> tuple[KeyFrame, ...]:
    """Return one row per key frame, in the order of choosing, with its evening gain in stops."""
    sigma = luminance_sigma(look)
    weights = np.asarray(REC709_LUMINANCE, np.float32)
    seen = [
        (np.asarray(look.light[k], np.float32) @ weights, ~is_blocked(look.blocked[k])) for k in choice.order
    ]
    levels = np.array([measure_level(luma, valid, sigma=sigma) for luma, valid in seen])
    gains = even_gains(levels, amount=settings.even)
    total = max(sum(choice.gains), 1e-30)
    table = look.table
    return tuple(
        KeyFrame(
            rank=rank + 1,
            take=info.name,
            source_frame=int(table.source_frames[k]),
            timecode=timecode_at(info.timecode, int(table.source_frames[k]) - info.first_frame, info.rate),
            gain=choice.gains[rank] / total,
            weight=float(table.weight[k]),
            clipped=float(table.clipped[k].max()),
            blocked=float(table.blocked[k]),
            level_stops=float(np.log2(gains[rank])),
        )
        for rank, k in enumerate(choice.order)
    )


def plan_recipe(look: SweepLook, ambient: Ambient, settings: Sweep) -> GuideRecipe:
    """Plan the guide from the lamp's colour and the noise as it was filmed."""
    colour = colour_of(look.light, ~is_blocked(look.blocked), np.flatnonzero(look.table.lamp_on))
    width = ambient.light.shape[1]
    recipe = plan_guide(ambient.noise, width=width, colour=colour, by=settings.by)
    return measure_guide_noise(ambient.sample, ambient.light, recipe, valid=ambient.inside)


def plan_stills(
    look: SweepLook, keys: Sequence[KeyFrame], settings: Sweep, sweep: FittedTake
) -> dict[int, StillPlan]:
    """Return how each key frame becomes a still; stills are stored in source-frame order."""
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    plans = {}
    for index, key in enumerate(sorted(keys, key=lambda key: key.source_frame)):
        k = place[key.source_frame]
        trim = settings.trim.get(str(key.source_frame))
        gain = np.full(3, 2.0**key.level_stops)
        if trim is not None:
            gain = gain * trim.gain * np.asarray(trim.gel)
        plans[key.source_frame] = StillPlan(
            index=index,
            covered=np.asarray(look.blocked[k]),
            factor=look.factor,
            drift=2.0 ** look.table.drift_stops[k] if settings.hold_exposure else None,
            gain=gain.astype(np.float32),
            marks=draw_marks(settings.block, sweep.take, key.source_frame, sweep.size),
        )
    return plans


def make_plate_of(
    stack: LightStack,
    ambient: Ambient,
    recipe: GuideRecipe,
    look: SweepLook,
    keys: Sequence[KeyFrame],
    settings: Sweep,
    threads: int,
) -> Plate:
    """Accumulate the stack by the rule of the settings and roll residue off where asked."""
    shares = None
    if settings.combine == "sum":
        frames = sorted(key.source_frame for key in keys)
        place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
        shares = dwell_weights(np.stack([np.asarray(look.light[place[f]], np.float32) for f in frames]))
    setting = AccumulateSetting(recipe=recipe, white=settings.screen_white)
    plate = accumulate_stack(
        stack,
        ambient.light,
        rule=settings.combine,
        setting=setting,
        shares=None if shares is None else shares.tolist(),
        threads=threads,
    )
    if settings.floor_sigma > 0:
        floored = floor_residue(plate.light, plate.peak, floor_sigma=settings.floor_sigma)
        plate = replace(plate, light=floored)
    return plate
