"""One sweep, from footage to plate: looked at once, then only the frames that are needed whole."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from threading import Thread

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.lamp_map import map_lamps
from lightstack.core.sweep.blockers import CARRIER
from lightstack.core.sweep.hot_pixels import find_hot_pixels
from lightstack.core.sweep.reach import find_holes
from lightstack.errors import UnusableTake
from lightstack.files.kept.stack import LightStack, StackShape, create_stack
from lightstack.files.read.takes import Take
from lightstack.files.shot.schema import Sweep, TakeSettings
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.sweep.accumulate import Plate, accumulate_plate
from lightstack.jobs.sweep.choice import (
    Scale,
    block_glints,
    block_specks,
    choose_frames,
    describe_keys,
    find_reach,
    share_dwell,
    spread_choice,
    weigh_light,
)
from lightstack.jobs.sweep.export import describe_parts
from lightstack.jobs.sweep.lamp_shades import keep_shades, recall_shades
from lightstack.jobs.sweep.recipe import plan_recipe
from lightstack.jobs.sweep.stills import StillPlan, fill_stack
from lightstack.jobs.takes.ambient import Ambient, average_ambient, pick_frames
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.look import (
    SweepLook,
    find_passers,
    look_at_sweep,
    survey_with_noise,
)
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.marks import check_frames_named, draw_marks, find_trim, name_idle_trims
from lightstack.jobs.takes.memory import plan_workers
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import (
    Choice,
    GuideRecipe,
    Hole,
    KeyFrame,
    NoiseModel,
    Origin,
    Progress,
    ProxyTake,
    StillNotes,
    TakeInfo,
)


@dataclass(frozen=True, slots=True)
class SweepRequest:
    """One sweep to build: its settings and files, the empty take, and what it is registered to."""

    settings: Sweep
    paths: tuple[Path, ...]
    empty: tuple[TakeSettings, tuple[Path, ...]] | None = None
    origin: Origin | None = None
    working: str | None = None
    options: BuildOptions = field(default_factory=BuildOptions)
    travels: bool = False  # a light travels through it, and needs stills all over


@dataclass(frozen=True, slots=True)
class SweepOutcome:
    """Everything a sweep gave; pictures are full size and registered."""

    info: TakeInfo
    empty_info: TakeInfo | None
    look: SweepLook
    choice: Choice
    keys: tuple[KeyFrame, ...]
    ambient: Ambient
    stack: LightStack
    stills: StillNotes
    plate: Plate
    reach: NDArray[np.bool_]
    holes: tuple[Hole, ...]
    primaries: str
    decoded: int
    run_in: int
    notes: tuple[str, ...] = ()  # what was assumed or found out about the footage
    luma: LumaSamples = field(default_factory=lambda: LumaSamples(set()))
    gel: NDArray[np.float64] | None = None  # (3,) colour of the lamp light
    folder: Path = Path()  # its place in the scratch folder
    origin: Origin | None = None  # what it is registered to, where that is another take


def build_sweep(request: SweepRequest, folder: Path, *, progress: Progress) -> SweepOutcome:
    """Make the light stack and the plate of one sweep; ``folder`` is its place in the scratch folder.

    Raises
    ------
    UnusableTake
        If nothing can be made of the sweep: no ambient, no change of light, no frame left to choose.
    """
    Thread(target=import_module, args=("lightstack.report.plots",), daemon=True).start()  # needed at the end
    with ExitStack() as opened:
        return build_seen(request, see_sweep(request, folder, opened, progress=progress), folder, progress=progress)


@dataclass(frozen=True, slots=True)
class SeenSweep:
    """A sweep and its empty take, open for reading, and what was seen of them. ``primaries``: of all that is made."""

    sweep: FittedTake
    primaries: str
    empty: FittedTake | None
    luma: LumaSamples
    look: SweepLook


def see_sweep(request: SweepRequest, folder: Path, opened: ExitStack, *, progress: Progress) -> SeenSweep:
    """Open a sweep for as long as ``opened`` lasts, and look at all of it once."""
    settings = request.settings
    sweep = opened.enter_context(open_part(request, settings, request.paths, settings.name))
    check_frames_named(settings, sweep.take)
    empty_take, bare = survey_empty(request, sweep, folder, opened, progress=progress)
    luma = LumaSamples.plan(sweep.take.info, pairs=2)
    look = look_at_sweep(
        sweep, settings, origin=request.origin, empty=bare, luma=luma, spread=request.options.spread, folder=folder,
        progress=progress,
    )  # fmt: skip
    primaries = request.working or sweep.take.info.encoding.primaries
    return SeenSweep(sweep, primaries, empty_take, luma, look)


def build_seen(request: SweepRequest, seen: SeenSweep, folder: Path, *, progress: Progress) -> SweepOutcome:
    """Choose key frames of what was seen, make stills of them, and accumulate those."""
    settings, sweep, look = request.settings, seen.sweep, seen.look
    scale = weigh_light(look)
    keep_shades(folder, look, sweep.size)
    choice = choose_frames(look, settings, sweep, scale)
    if request.travels:
        choice = spread_out(choice, look, settings, sweep, folder, progress=progress)
    ambient = average_needed(look, choice, sweep, seen.empty, progress=progress)
    keys = describe_keys(look, choice, settings, sweep.take.info, scale)
    stack, stills = make_stills(request, seen, choice, keys, ambient, scale, folder, progress=progress)
    workers = plan_workers(sweep.size, request.options)
    plate = accumulate_plate(
        stack, ambient.light, stills, settings, threads=workers, spread=request.options.spread
    )
    reach = find_reach(look, ambient.noise, sweep.size)
    return SweepOutcome(
        info=sweep.take.info,
        empty_info=None if seen.empty is None else seen.empty.take.info,
        look=look,
        choice=choice,
        keys=keys,
        ambient=ambient,
        stack=stack,
        stills=stills,
        plate=plate,
        reach=reach,
        holes=find_holes(reach),
        primaries=seen.primaries,
        decoded=sweep.take.decoded_count,
        run_in=sweep.take.run_in_count,
        notes=list_notes(sweep, seen.empty, settings, keys),
        luma=seen.luma,
        gel=scale.colour,
        folder=folder,
        origin=request.origin,
    )


def make_stills(
    request: SweepRequest,
    seen: SeenSweep,
    choice: Choice,
    keys: Sequence[KeyFrame],
    ambient: Ambient,
    scale: Scale,
    folder: Path,
    *,
    progress: Progress,
) -> tuple[LightStack, StillNotes]:
    """Make a stack of the key frames' lamp light, and note what its stills are."""
    settings, sweep, look = request.settings, seen.sweep, seen.look
    recipe = plan_recipe(ambient, settings, scale)
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    lit = [place[key.source_frame] for key in keys if np.any(still_gain(key, settings, sweep.take))]
    extra = [block_specks(look, lit, scale)]
    extra += [block_glints(look, choice, scale)] if settings.glints == "one" else []
    plans = plan_stills(look, keys, settings, sweep, ambient, extra)
    stack = make_stack(
        sweep, plans, folder, look=look, keys=keys, ambient=ambient, recipe=recipe, primaries=seen.primaries,
        threads=plan_workers(sweep.size, request.options), spread=request.options.spread, progress=progress,
    )  # fmt: skip
    return stack, note_stills(look, keys, settings, scale, sweep.take, recipe, ambient.noise)


def spread_out(
    choice: Choice, look: SweepLook, settings: Sweep, sweep: FittedTake, folder: Path, *, progress: Progress
) -> Choice:
    """Add key frames all over where the lamp was; where that cannot be told, the choice stays as it is."""
    try:
        with progress.step(f"where the lamp was in {sweep.take.info.name}", None):
            places = map_lamps(recall_shades(folder))
    except UnusableTake as error:
        progress.say(f"{sweep.take.info.name}: where the lamp was cannot be told: {error}")
        return choice
    return spread_choice(choice, look, settings, sweep, places, count=settings.travel_keys)


def make_stack(
    sweep: FittedTake,
    plans: dict[int, StillPlan],
    folder: Path,
    *,
    look: SweepLook,
    keys: Sequence[KeyFrame],
    ambient: Ambient,
    recipe: GuideRecipe,
    primaries: str,
    threads: int,
    spread: Spread | None = None,
    progress: Progress,
) -> LightStack:
    """Decode the planned key frames into a new light stack in the sweep's scratch folder."""
    shape = StackShape(*sweep.size, len(keys), len(recipe.projection))
    stack = create_stack(folder / "light_stack.exr", shape, headers=describe_parts(keys), primaries=primaries)
    fill_stack(
        sweep,
        plans,
        stack,
        registration=look.registration,
        ambient=ambient,
        recipe=recipe,
        hot=find_hot_pixels(ambient.light, noise=ambient.noise),
        threads=threads,
        spread=spread,
        progress=progress,
    )
    return stack


def list_notes(
    sweep: FittedTake, empty_take: FittedTake | None, settings: Sweep, keys: Sequence[KeyFrame]
) -> tuple[str, ...]:
    """Say what was assumed or found out about the footage, and which settings do nothing."""
    bare = () if empty_take is None else empty_take.warnings
    idle = name_idle_trims(settings.trim, sweep.take, [key.source_frame for key in keys])
    return (*sweep.warnings, *bare, *idle)


def survey_empty(
    request: SweepRequest, sweep: FittedTake, folder: Path, opened: ExitStack, *, progress: Progress
) -> tuple[FittedTake | None, ProxyTake | None]:
    """Open the request's empty take for as long as ``opened`` lasts and survey it; nothing where there is none."""
    if request.empty is None:
        return None, None
    fitting = replace(request, working=request.working or sweep.take.info.encoding.primaries)
    empty = opened.enter_context(open_part(fitting, *request.empty, "empty", sweep.size))
    bare_folder = folder / "bare"  # apart from the sweep's own files, whatever the sweep is called
    bare_folder.mkdir(parents=True, exist_ok=True)
    bare = survey_with_noise(
        empty, request.empty[0], bare_folder, assume=UNKNOWN_NOISE, spread=request.options.spread, progress=progress
    )
    return empty, bare


def open_part(
    request: SweepRequest,
    settings: TakeSettings,
    paths: Sequence[Path],
    name: str,
    size: tuple[int, int] | None = None,
) -> AbstractContextManager[FittedTake]:
    """Open one take of the request, fitted to the origin's size where there is one."""
    size = size if request.origin is None else request.origin.size
    return open_fitted(settings, paths, name=name, size=size, working=request.working, options=request.options)


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
        return average_ambient(
            sweep, frames, look.registration, passers=passers, assume=full_noise(look), progress=progress
        )
    assert look.empty is not None and empty_take is not None
    frames = pick_frames(look.empty.proxies.source_frames.tolist(), None)
    passers = find_passers(look.empty.proxies, look.empty.registration, look.empty.ambient, frames)
    return average_ambient(
        empty_take, frames, look.empty.registration, passers=passers, assume=full_noise(look), progress=progress
    )


def full_noise(look: SweepLook) -> NoiseModel:
    """Return the noise of a full-size pixel as the survey's lets expect it, pixels taken to be independent."""
    noise, boxes = look.proxies.noise_proxy, look.proxies.factor**2
    return NoiseModel(noise.a * boxes, noise.b * boxes)


def plan_stills(
    look: SweepLook,
    keys: Sequence[KeyFrame],
    settings: Sweep,
    sweep: FittedTake,
    ambient: Ambient,
    extra: Sequence[dict[int, NDArray[np.bool_]]],
) -> dict[int, StillPlan]:
    """Return how each key frame becomes a still; stills are stored in source-frame order.

    ``extra``: by index, places (h', w') to leave out beside what was found covered.
    """
    place = {int(number): k for k, number in enumerate(look.proxies.source_frames)}
    drift = measure_drift(look, ambient)
    plans = {}
    for index, key in enumerate(sorted(keys, key=lambda key: key.source_frame)):
        k = place[key.source_frame]
        covered = np.array(look.blocked[k])
        for places in extra:
            if k in places:
                covered[places[k]] |= CARRIER
        plans[key.source_frame] = StillPlan(
            index=index,
            covered=covered,
            factor=look.factor,
            drift=drift[k] if settings.hold_exposure else None,
            gain=still_gain(key, settings, sweep.take),
            marks=draw_marks(settings.block, settings.trim, sweep.take, key.source_frame, sweep.size),
        )
    return plans


def measure_drift(look: SweepLook, ambient: Ambient) -> NDArray[np.float64]:
    """Return the gain (n, 3) of every frame's exposure and white against the full-size ambient.

    The survey measures against the mean of all unlit frames; the ambient at full size may be a mean of fewer.
    """
    gains = 2.0**look.table.drift_stops
    if not look.own_ambient:
        return gains
    used = np.isin(look.proxies.source_frames, ambient.frames)
    return np.asarray(gains / gains[used].mean(axis=0))


def still_gain(key: KeyFrame, settings: Sweep, take: Take) -> NDArray[np.float32]:
    """Return the gain (3,) of a still: evening, trim and gel together."""
    gain = np.full(3, 2.0**key.level_stops)
    trim = find_trim(settings.trim, take, key.source_frame)
    if trim is not None:
        gain = gain * trim.gain * np.asarray(trim.gel)
    return gain.astype(np.float32)


def note_stills(
    look: SweepLook,
    keys: Sequence[KeyFrame],
    settings: Sweep,
    scale: Scale,
    take: Take,
    recipe: GuideRecipe,
    noise: NoiseModel,
) -> StillNotes:
    """Note what the stack's stills are, in the order in which they are stored: by source frame."""
    ordered = sorted(keys, key=lambda key: key.source_frame)
    frames = np.array([key.source_frame for key in ordered], np.int64)
    place = np.searchsorted(look.table.source_frames, frames)
    return StillNotes(
        recipe=recipe,
        noise=noise,
        source_frames=frames,
        stretch=look.table.stretch[place] + 1,
        gains=np.stack([still_gain(key, settings, take) for key in ordered]),
        shares=np.array(share_dwell(look, scale, keys), np.float64),
        file_starts=take.file_starts,
    )
