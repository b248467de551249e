"""Every check of a take, fed with what the survey left of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from math import nan
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.clipping import check_clipping, find_floor, gather_levels
from lightstack.core.check.compression import check_compression, gather_traces
from lightstack.core.check.exposure_check import check_drift, check_exposure, measure_drift
from lightstack.core.check.flicker import check_flicker, gather_row_profile
from lightstack.core.check.focus import check_focus, measure_focus
from lightstack.core.check.lock_off import check_lock_off, gather_evidence
from lightstack.core.check.noise_check import check_noise, gather_noise
from lightstack.core.check.noiseless import is_noiseless
from lightstack.core.check.skips import gather_moving
from lightstack.core.check.sweep_quality import check_sweep, measure_cover
from lightstack.core.check.timing import check_timing
from lightstack.core.colour.measured import find_curve_of
from lightstack.core.half import to_float
from lightstack.core.sampling import space_evenly, widest_gap
from lightstack.core.sweep.reach import find_holes
from lightstack.core.sweep.survey import survey_sweep
from lightstack.errors import UnusableTake
from lightstack.files.processors import usable_processors
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.views import draw_still, find_rough_reach, panels_of_steady, panels_of_sweep
from lightstack.jobs.sweep.choice import choose_frames, find_reach, weigh_light
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.lamp_light import is_blocked, keep_small, shrink_mean
from lightstack.jobs.takes.look import SweepLook, average_registered, fill_outside, register_proxies
from lightstack.records import (
    NOT_CHECKED,
    Finding,
    FrameTable,
    NoiseModel,
    Panel,
    Progress,
    ProxyTake,
    Registration,
    TakeFindings,
)

REST_FRAMES = 60
CARRIED_HZ = 1.0  # common practice: nobody sways a lamp faster over a whole sweep
QUIET_FRAMES, QUIET_SHARE = 48, 0.35  # frames looked at, share of the bright places that are kept
SURE_SIGMA = 5.0
LEAST_BRIGHT = 0.02  # of the picture, kept in any case
# for an inspection, and for a build, which may take no more than some percent longer by its checks
FOCUS_WINDOWS = (10, 5)
MOST_LEVELS = (96, 24)  # frames whose levels are counted
NOISE_PAIRS = (16, 8)  # of frames that noise is read from
MOST_JUDGES = 4  # at a time: each may hold some frames
MOST_TRACED, RUN = (120, 48), 24  # frames looked at for the codec's traces, in runs of a second


def look_at_steady(one: TakeLooked, folder: Path, *, progress: Progress) -> TakeLooked:
    """Register a take without a carried lamp against itself, and measure its frames."""
    proxies = one.proxies
    with progress.step(f"register {proxies.name}", None):
        registration = register_proxies(proxies, None, np.zeros(len(proxies), bool), model="auto")
    rest, table = measure_steady(proxies, registration, folder, progress=progress)
    return replace(one, registration=registration, rest=rest, table=table, rest_frames=min(REST_FRAMES, len(proxies)))


def rate_sweep(one: TakeLooked, look: SweepLook, fitted: FittedTake, settings: Sweep) -> TakeLooked:
    """Measure a sweep as such: the lamp's colour, coverage of the key frames (not in a quick look), reach."""
    one = one.add_look(look)
    scale = weigh_light(look)
    coverage, count = nan, 0
    if not one.quick:
        try:
            choice = choose_frames(look, settings, fitted, scale)
            coverage, count = choice.coverage, len(choice.order)
        except UnusableTake as error:
            return one.fail(str(error).removeprefix(f"{one.info.paths[0]}: "))
    noise = full_size_noise(one)
    reach = find_rough_reach(look, noise) if one.quick else find_reach(look, noise, one.proxies.full_size)
    factor = look.factor if one.quick else 1
    holes = tuple(replace(hole, x=hole.x * factor, y=hole.y * factor) for hole in find_holes(reach))
    return replace(one, gel=scale.colour, coverage=coverage, key_count=count, reach=reach, holes=holes)


def measure_steady(
    proxies: ProxyTake, registration: Registration, folder: Path, *, progress: Progress
) -> tuple[NDArray[np.float32], FrameTable]:
    """Return the registered picture of a take at rest at survey size, and what every frame measures against it."""
    some = np.array(space_evenly(0, len(proxies) - 1, REST_FRAMES))
    rest = average_registered(proxies, registration, some)
    small = keep_small(proxies, registration, folder, progress=progress)
    small_rest = shrink_mean(rest, small.factor // proxies.factor)
    with progress.step(f"measure {proxies.name}", None):
        table = survey_sweep(
            small,
            small_rest,
            registration,
            lamp_off=np.ones(len(proxies), bool),
            frame_at=lambda k: fill_outside(small, small_rest, k),
        )
        quiet = pick_quiet(proxies, rest)
        stops = measure_drift(lambda k: proxies.rgb[k], len(proxies), quiet, noise=proxies.noise_proxy)
    return rest, replace(table, drift_stops=stops)


def check_take(one: TakeLooked, *, mains: tuple[float, ...]) -> TakeFindings:
    """Check one take by itself."""
    if one.failure:
        finding = Finding("sweep", "reshoot", f"It cannot be used as it is: {one.failure}.")
        return make_findings(one, (finding, judge_clipping(one)))
    noiseless = is_noiseless(one.proxies, frames=following_frames(one))
    judges: tuple[Callable[[], Sequence[Finding]], ...] = (
        lambda: (judge_lock_off(one), judge_exposure(one)),
        lambda: (judge_focus(one),),
        lambda: judge_time(one, mains, noiseless=noiseless),
        lambda: (judge_clipping(one),),
        lambda: (judge_noise(one, noiseless=noiseless),),
        lambda: (judge_compression(one, noiseless=noiseless),),
        lambda: judge_sweep(one) if one.look is not None else (),
    )
    with ThreadPoolExecutor(min(MOST_JUDGES, usable_processors())) as pool:  # each looks at the take by itself
        told = list(pool.map(lambda judge: judge(), judges))
    return make_findings(one, tuple(finding for findings in told for finding in findings))


def judge_exposure(one: TakeLooked) -> Finding:
    """Judge drift of exposure and white."""
    assert one.rest is not None and one.table is not None
    if one.look is not None:
        return check_exposure(one.table)
    return check_drift(one.table.drift_stops, seconds=one.proxies.seconds, source_frames=one.proxies.source_frames)


def pick_quiet(proxies: ProxyTake, rest: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a take's picture at rest, (h, w, 3), with 0 where its light varies more than in its quietest places.

    Notes: in a dark room somebody who crosses the one bright wall covers most of what tells of exposure. A drift of
    exposure varies all places alike, so the quietest ones tell of it as well.
    """
    frames = [to_float(proxies.rgb[k]) for k in space_evenly(0, len(proxies) - 1, QUIET_FRAMES)]
    low, high = frames[0].copy(), frames[0].copy()
    for frame in frames[1:]:
        np.minimum(low, frame, out=low)
        np.maximum(high, frame, out=high)
    sure = rest > SURE_SIGMA * proxies.noise_proxy.sigma(rest)
    quiet = np.zeros_like(rest)
    for c in range(3):
        known = sure[..., c]
        if known.any():
            spread = (high - low)[..., c] / np.maximum(rest[..., c], 1e-9)
            share = min(1.0, max(QUIET_SHARE, LEAST_BRIGHT / float(known.mean())))
            quiet[..., c] = np.where(known & (spread <= np.quantile(spread[known], share)), rest[..., c], 0)
    return quiet


def judge_focus(one: TakeLooked) -> Finding:
    """Judge focus: does the picture grow, do its edges spread?"""
    assert one.registration is not None
    path = measure_focus(one.proxies, one.registration, windows=FOCUS_WINDOWS[one.brief])
    return check_focus(path, source_frames=one.proxies.source_frames)


def judge_clipping(one: TakeLooked) -> Finding:
    """Judge clipping, crushed blacks and headroom; of a sweep on its lit frames, lamp and carrier left out."""
    encoding = one.info.encoding
    curve = find_curve_of(encoding) if encoding.ocio_space is None and not encoding.is_float else None
    ceiling = np.inf if curve is None else float(curve.decode(np.array(encoding.ceiling)))
    shown = np.arange(len(one.proxies)) if one.look is None else np.flatnonzero(one.look.table.lamp_on)
    if len(shown):
        shown = shown[np.array(space_evenly(0, len(shown) - 1, MOST_LEVELS[one.brief]))]
    blocked = None if one.look is None else one.look.blocked
    floor = find_floor(encoding)
    levels = gather_levels(one.proxies, floor=floor, frames=shown, blocked=blocked, ceiling=ceiling)
    gel = None if one.gel is None else [float(level) for level in one.gel]
    return check_clipping(levels, ceiling=ceiling, gel=gel, crushing_matters=one.role != "sweep")


def judge_noise(one: TakeLooked, *, noiseless: bool = False) -> Finding:
    """Judge noise on frames without a carried lamp."""
    samples = gather_noise(one.proxies, frames=following_frames(one), most_pairs=NOISE_PAIRS[one.brief])
    return check_noise(samples, encoding=one.info.encoding, noiseless=noiseless)


def judge_compression(one: TakeLooked, *, noiseless: bool = False) -> Finding:
    """Judge what the codec did, on frames without a carried lamp and on pieces of full-size luma."""
    traces = gather_traces(one.proxies, frames=following_frames(one, most=MOST_TRACED[one.brief]))
    planes = [one.luma.planes[number] for number in sorted(one.luma.planes)]
    found = check_compression(
        traces, planes, codec=one.info.codec, bits=one.info.encoding.bit_depth, noiseless=noiseless
    )
    if one.quick and found.grade == "usable":  # a few pairs show where a group begins, not what most frames are like
        return replace(found, grade=NOT_CHECKED, says=f"{found.says} (Seen at a few frames only.)")
    return found


def following_frames(one: TakeLooked, *, most: int | None = None) -> NDArray[np.int64]:
    """Return the unlit frames (indices), where there are more than ``most`` in runs spread over the take.

    A quick look's frames count only where the one before or after was seen too.
    """
    frames = np.flatnonzero(one.unlit)
    if one.quick:
        numbers = one.proxies.source_frames
        next_to = np.diff(numbers) == 1
        paired = np.r_[False, next_to] | np.r_[next_to, False]
        frames = frames[paired[frames]]
    if most is None or len(frames) <= most:
        return frames
    starts = space_evenly(0, len(frames) - RUN, most // RUN)
    return frames[np.unique([start + k for start in starts for k in range(RUN)])]


def judge_sweep(one: TakeLooked) -> tuple[Finding, ...]:
    """Judge a sweep as such: reach, coverage, speed, cover, flare."""
    look, table = one.look, one.table
    assert look is not None and table is not None
    cover = measure_cover(
        (is_blocked(flags) for flags in look.blocked), table.lamp_on, seconds=table.seconds, factor=look.factor
    )
    found = check_sweep(
        table,
        reach=one.reach,
        holes=one.holes,
        coverage=one.coverage,
        key_count=one.key_count,
        cover=None if one.quick else cover,
        gap_seconds=widest_gap(one.proxies.seconds, table.lamp_on) if one.quick else 0.0,
        size=one.proxies.full_size,
    )
    if not one.quick:
        return found
    says = (
        "A quick look cannot tell how fast the lamp went, how long its carrier stood anywhere, or what key frames hold."
    )
    unknown = Finding("sweep", NOT_CHECKED, says, "Inspect the take without --quick.")
    return (*(finding for finding in found if finding.grade != NOT_CHECKED), unknown)


def judge_lock_off(one: TakeLooked) -> Finding:
    """Judge whether the camera stood still; a quick look tells no more than whether the frames it saw agree."""
    assert one.registration is not None
    proxies = one.proxies
    if one.quick:
        return doubt_lock_off(one)
    return check_lock_off(
        one.registration,
        proxies.source_frames,
        size=proxies.full_size,
        seconds=proxies.seconds,
        lamp_on=~one.unlit,
        evidence=gather_evidence(proxies, one.registration, lamp_on=~one.unlit),
    )


def doubt_lock_off(one: TakeLooked) -> Finding:
    """Judge a quick look's unlit frames against each other; what lies between them is not known."""
    proxies, frames = one.proxies, np.flatnonzero(one.unlit)
    remedy = "Inspect the take without --quick before the set is struck: knocks between these frames do not show."
    if len(frames) < 2:
        return Finding("lock-off", NOT_CHECKED, "Fewer than two unlit frames were looked at.", remedy)
    few = replace(
        proxies,
        rgb=np.stack([proxies.rgb[k] for k in frames]),
        clipped=np.stack([proxies.clipped[k] for k in frames]),
        source_frames=proxies.source_frames[frames],
        seconds=proxies.seconds[frames],
        duplicate=proxies.duplicate[frames],
    )
    registration = register_proxies(few, None, np.zeros(len(frames), bool), model="auto")
    found = check_lock_off(registration, few.source_frames, size=few.full_size, seconds=few.seconds)
    if found.grade != "good":
        return replace(found, says=f"{found.says} (Seen at {len(frames)} frames only.)", frames=())
    says = f"The {len(frames)} unlit frames looked at agree; bumps between them cannot be judged by a quick look."
    return Finding("lock-off", NOT_CHECKED, says, remedy, found.figures)


def judge_time(one: TakeLooked, mains: tuple[float, ...], *, noiseless: bool = False) -> list[Finding]:
    """Judge what goes on over time: flicker, timing."""
    if one.quick:
        skips, again = "A quick look skips most frames and cannot tell", "Inspect the take without --quick."
        rate = " The file says that its frame rate varies." if one.info.variable_rate else ""
        return [
            Finding("flicker", NOT_CHECKED, f"{skips} flicker.", again),
            Finding("timing", NOT_CHECKED, f"{skips} repeated or dropped frames.{rate}", again),
        ]
    proxies, table = one.proxies, one.table
    assert table is not None and one.rest is not None
    rows = gather_row_profile(proxies)  # lit frames too: a lamp that moves is told from one that pulses
    flicker = check_flicker(rows, proxies.seconds, rate=one.info.rate, mains=mains)
    slow = any(figure.unit == "Hz" and figure.value < CARRIED_HZ for figure in flicker.figures[:1])
    if one.look is not None and slow and flicker.grade != "good":  # so slow a wave can be the walk itself
        rows = gather_row_profile(proxies, frames=np.flatnonzero(one.unlit))
        flicker = check_flicker(rows, proxies.seconds, rate=one.info.rate, mains=mains)
    return [
        flicker,
        check_timing(
            proxies.seconds,
            proxies.duplicate,
            rate=one.info.rate,
            change=table.change_sigma,
            moving=gather_moving(proxies),
            frames=proxies.source_frames,
            timed=one.role in ("hero", "take"),
            timecodes=proxies.timecodes or None,
            joins=[int(k) for k in np.flatnonzero(np.isin(proxies.source_frames, one.info.joins))],
            noiseless=noiseless,
        ),
    ]


def make_findings(one: TakeLooked, findings: Sequence[Finding]) -> TakeFindings:
    """Gather what is told and drawn of a take."""
    panels: tuple[Panel, ...] = ()
    if one.table is not None and not one.quick:
        panels = panels_of_sweep(one.table) if one.look is not None else panels_of_steady(one.table)
    middle = one.rest if one.rest is not None else np.asarray(one.proxies.rgb[len(one.proxies) // 2], np.float32)
    return TakeFindings(
        take=one.name,
        role=one.role,
        about=one.about,
        findings=tuple(findings),
        source_frames=np.asarray(one.proxies.source_frames),
        panels=panels,
        picture=draw_still(middle, one.primaries),
        full_size=one.proxies.full_size,
    )


def full_size_noise(one: TakeLooked) -> NoiseModel:
    """Return the noise of one full-size pixel as the survey's lets expect it."""
    noise, boxes = one.proxies.noise_proxy, one.proxies.factor**2
    return NoiseModel(noise.a * boxes, noise.b * boxes)
