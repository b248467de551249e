"""A sweep seen whole at small size: ambient, poses, blockers, and what every frame measures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.compare import compare_exposure
from lightstack.core.colour.ceiling import holds_highlights
from lightstack.core.half import to_float
from lightstack.core.register.register import solve_take
from lightstack.core.sweep.blockers import find_blockers
from lightstack.core.sweep.evidence import brightest_channel
from lightstack.core.sweep.light_speed import add_speed, measure_speed
from lightstack.core.sweep.survey import average_frames, survey_sweep
from lightstack.core.warp import warp_picture
from lightstack.errors import UnusableTake
from lightstack.files.folder import scratch_name
from lightstack.files.shot.schema import Sweep, TakeSettings
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.takes.footage import FittedTake, resolve_ranges
from lightstack.jobs.takes.lamp_light import LampLight, is_blocked, keep_flags, keep_small, mark_brightest, shrink_mean
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.survey import measure_proxy_noise, survey_take
from lightstack.jobs.takes.unlit import code_step, doubt_primaries, find_unlit
from lightstack.records import FrameTable, NoiseModel, Origin, Progress, ProxyTake, Registration, Stretch

ALL_CLIPPED = 0.98  # of a frame's pixels
MARGIN = 12  # px left out at the picture's edge, where a moved frame saw nothing
CODE_ERROR = 2.0  # codes at black
PASSER_SIGMA = 4.0  # mean over 9 x 9 of the largest channel's deviation; noise alone gives about 1.3
PASSER_MISMATCH, PASSER_FLOOR = 0.03, 3e-4  # what a codec and a small drift may do to an unlit frame
PASSER_SHARE = 0.004  # of the picture


@dataclass(frozen=True, slots=True)
class EmptyLook:
    """An empty take after its survey: registered mean (h, w, 3) at survey size and where it stands."""

    proxies: ProxyTake
    registration: Registration
    ambient: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class SweepLook:
    """A sweep after its survey. ``light`` (n, h', w', 3) registered frame minus ambient and ``blocked``
    (n, h', w') flags at small size; ``factor`` leads from there to full size."""

    proxies: ProxyTake
    registration: Registration
    ambient: NDArray[np.float32]  # (h, w, 3) at survey size, registered
    lamp_off: NDArray[np.bool_]
    own_ambient: bool
    empty: EmptyLook | None
    empty_stops: NDArray[np.float64]  # (3,) own ambient against the empty take's; NaN not compared
    small_ambient: NDArray[np.float32]  # (h', w', 3)
    small_noise: NoiseModel
    light: LampLight
    blocked: NDArray[np.uint8]
    table: FrameTable
    factor: int


def survey_with_noise(
    fitted: FittedTake,
    settings: TakeSettings,
    folder: Path,
    *,
    assume: NoiseModel | None = None,
    luma: LumaSamples | None = None,
    spread: Spread | None = None,
    progress: Progress,
) -> ProxyTake:
    """Survey a take within its `use` range and measure its noise from the stillest pairs of frames.

    ``assume``: what to take where no two frames differ (a still, a render); without it that is an error. ``luma``,
    ``spread``: as `survey_take` has them.
    """
    use = None
    if settings.use is not None:
        use = resolve_ranges([settings.use], fitted.take, what="use")[0]
    proxies = survey_take(fitted, folder, use=use, luma=luma, spread=spread, progress=progress)
    try:
        noise = measure_proxy_noise(proxies, np.arange(len(proxies)))
    except UnusableTake as error:
        if assume is not None:
            return replace(proxies, noise_proxy=assume)
        raise UnusableTake(f"{fitted.take.info.paths[0]}: {explain_no_noise(proxies)}") from error
    return replace(proxies, noise_proxy=noise)


def explain_no_noise(proxies: ProxyTake) -> str:
    """Say why no two frames of a take differ as camera footage does."""
    if len(proxies) == 1:
        return "holds one frame, a take of some seconds was expected; film a second or more, or name the whole take"
    if all(np.all(flags > 0) for flags in proxies.clipped):
        return "every pixel of every frame is clipped; film again with less exposure"
    return (
        f"all {len(proxies)} frames are alike to the last code: the light never changes and there is no noise; "
        "name the take as the camera recorded it"
    )


def look_at_sweep(
    fitted: FittedTake,
    settings: Sweep,
    *,
    origin: Origin | None,
    empty: ProxyTake | None,
    proxies: ProxyTake | None = None,
    luma: LumaSamples | None = None,
    spread: Spread | None = None,
    folder: Path,
    progress: Progress,
) -> SweepLook:
    """Survey a sweep: one pass over the footage, then arithmetic on what was kept of it.

    ``empty``: the surveyed empty take, if there is one. ``proxies``: the sweep where it was surveyed before.
    ``luma``, ``spread``: as `survey_take` has them.

    Raises
    ------
    UnusableTake
        If there are no lamp-off frames and no empty take, or the light never changes.
    """
    if proxies is None:
        proxies = survey_with_noise(fitted, settings, folder, luma=luma, spread=spread, progress=progress)
    path = fitted.take.info.paths[0]
    bare = None if empty is None else average_frames(empty, range(len(empty))).astype(np.float32)
    lamp_off = find_unlit(proxies, fitted, bare)
    dark = np.flatnonzero(lamp_off)
    own = len(dark) >= 2
    if all(np.mean(flags > 0) > ALL_CLIPPED for flags in proxies.clipped):
        raise UnusableTake(f"{path}: every frame is clipped nearly everywhere; film again with less exposure")
    if lamp_off.all():
        raise UnusableTake(f"{path}: the light never changes; check that the lamp was on and this is the sweep")
    if not own and empty is None:
        raise UnusableTake(
            f"{path}: no frames without the lamp and no empty take; "
            f"film three seconds with the lamp covered, or give an empty take{doubt_primaries(proxies, fitted)}"
        )
    reference = origin.picture if origin is not None else None if own else bare
    with progress.step(f"register {proxies.name}", None):
        frames = len(empty) if origin is None and empty is not None else 1 if origin is None else origin.frames
        registration = register_proxies(proxies, reference, ~lamp_off, model=settings.model, frames=frames)
    own_ambient = average_registered(proxies, registration, dark) if own else None
    bare_look = None
    if empty is not None:
        frames = max(1, len(dark)) if origin is None else origin.frames
        bare_look = look_at_empty(empty, own_ambient if origin is None else origin.picture, frames)
    ambient = own_ambient if own_ambient is not None else bare_look.ambient  # type: ignore[union-attr]
    return measure_look(
        proxies,
        registration,
        ambient,
        lamp_off,
        bare_look,
        settings,
        own,
        beyond_white=holds_highlights(fitted.take.info.encoding),
        code_error=CODE_ERROR * code_step(fitted.take.info.encoding),
        folder=folder,
        progress=progress,
    )


def allow_code_error(noise: NoiseModel, error: float) -> NoiseModel:
    """Return a noise model that is nowhere below a codec's error.

    Notes: a codec takes noise away and leaves errors that stand still. In eight bits under a deep red gel green and
    blue come through its coarse chroma a little too dark beside every edge, as if somebody hid the ambient there.
    """
    return replace(noise, b=np.maximum(noise.b, error**2))


def look_at_empty(empty: ProxyTake, reference: NDArray[np.float32] | None, frames: int) -> EmptyLook:
    """Register a surveyed empty take against the origin's picture, a mean of ``frames`` (None: its own)."""
    unlit = np.zeros(len(empty), bool)
    registration = register_proxies(empty, reference, unlit, model="auto", frames=frames)
    return EmptyLook(empty, registration, average_registered(empty, registration, np.arange(len(empty))))


def measure_look(
    proxies: ProxyTake,
    registration: Registration,
    ambient: NDArray[np.float32],
    lamp_off: NDArray[np.bool_],
    empty: EmptyLook | None,
    settings: Sweep,
    own_ambient: bool,
    *,
    beyond_white: bool,
    code_error: float = 0.0,
    folder: Path,
    progress: Progress,
) -> SweepLook:
    """Take the ambient out of every frame at small size, find what is covered, measure the frames.

    ``code_error``: linear light by which a codec may be off at black for a while, whatever the noise is.
    """
    small = keep_small(proxies, registration, folder, progress=progress)
    small_ambient = shrink_mean(ambient, small.factor // proxies.factor)
    with progress.step(f"measure {proxies.name}", None):
        small = replace(small, noise_proxy=measure_proxy_noise(small, np.arange(len(small)), margin=MARGIN))
        table = survey_sweep(
            small,
            small_ambient,
            registration,
            lamp_off=lamp_off,
            frame_at=lambda k: fill_outside(small, small_ambient, k),
        )
    light = LampLight(small.rgb, small_ambient, 2.0**table.drift_stops if settings.hold_exposure else None)
    with progress.step(f"blockers of {proxies.name}", None):
        blocked = find_blockers(
            light,  # type: ignore[arg-type]
            small_ambient,
            noise=allow_code_error(small.noise_proxy, code_error),
            clipped=mark_brightest(small, beyond_white=beyond_white),
            lamp_on=table.lamp_on,
            glints=settings.glints,
        )
        blocked = keep_flags(blocked, folder / f"{scratch_name(proxies.name)}.blocked")
    table = replace(table, blocked=np.array([is_blocked(flags).mean() for flags in blocked]))
    with progress.step(f"speed of the light in {proxies.name}", None):
        table = add_speed(table, measure_open_speed(small, small_ambient, light, blocked, table.lamp_on))
    return SweepLook(
        proxies=proxies,
        registration=registration,
        ambient=ambient,
        lamp_off=lamp_off,
        own_ambient=own_ambient,
        empty=empty,
        empty_stops=compare_with_empty(proxies, ambient, empty),
        small_ambient=small_ambient,
        small_noise=small.noise_proxy,
        light=light,
        blocked=blocked,
        table=table,
        factor=small.factor,
    )


def measure_open_speed(
    small: ProxyTake,
    ambient: NDArray[np.float32],
    light: LampLight,
    blocked: NDArray[np.uint8],
    lamp_on: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return by how many full-size pixels a frame the light moves over what nothing covers, (n,)."""
    return measure_speed(
        lambda k: light[k],
        lamp_on,
        lambda k: is_blocked(blocked[k]),
        ambient,
        noise=small.noise_proxy,
        factor=small.factor,
        follows=np.diff(small.source_frames, append=0) == 1,
    )


def fill_outside(small: ProxyTake, ambient: NDArray[np.float32], k: int) -> NDArray[np.float32]:
    """Return a small frame with the ambient where it saw nothing."""
    picture = to_float(small.rgb[k])
    return np.where(np.isnan(picture), ambient, picture) if np.isnan(picture.sum()) else picture


def compare_with_empty(
    proxies: ProxyTake, ambient: NDArray[np.float32], empty: EmptyLook | None
) -> NDArray[np.float64]:
    """Return by how many stops (3,) the ambient in use is brighter than the empty take's."""
    if empty is None or empty.ambient is ambient:
        return np.full(3, np.nan)
    return compare_exposure(ambient, empty.ambient, noise=proxies.noise_proxy)


def register_proxies(
    proxies: ProxyTake, reference: NDArray | None, lit: NDArray[np.bool_], *, model: str, frames: int = 1
) -> Registration:
    """Register a surveyed take against a picture at survey size, the mean of ``frames`` frames (None: its own)."""
    return solve_take(
        lambda k: proxies.rgb[k],
        len(proxies),
        None if reference is None else np.asarray(reference, np.float32),
        take=proxies.name,
        source_frames=proxies.source_frames,
        factor=proxies.factor,
        model=model,
        noise=proxies.noise_proxy,
        lit=lit,
        reference_frames=frames,
    )


def average_registered(proxies: ProxyTake, registration: Registration, frames: NDArray) -> NDArray[np.float32]:
    """Average frames (indices) at survey size, each stretch put back to the origin first."""
    total = np.zeros((*proxies.rgb.shape[1:3], 3), np.float64)
    weight = np.zeros(proxies.rgb.shape[1:3], np.float64)
    for stretch in registration.stretches:
        numbers = proxies.source_frames[frames]
        inside = frames[(numbers >= stretch.first) & (numbers <= stretch.last)]
        if not len(inside):
            continue
        mean = average_frames(proxies, inside).astype(np.float32)
        warped, valid = warp_picture(mean, stretch.matrix, factor=proxies.factor)
        total += warped * (len(inside) * valid)[..., None]
        weight += len(inside) * valid
    return (total / np.maximum(weight, 1)[..., None]).astype(np.float32)


def find_passers(
    proxies: ProxyTake, registration: Registration, ambient: NDArray[np.float32], frames: Sequence[int]
) -> dict[int, NDArray[np.bool_]]:
    """Return, for unlit source frames that somebody walks through, where: (h, w) bool as the frame shows it.

    A place is somebody's where it is off the ambient by far more than noise, over more than specks, and not so in
    most frames: whoever stands there all the time is part of the ambient.
    """
    found: dict[int, NDArray[np.bool_]] = {}
    often = np.zeros(ambient.shape[:2], np.float32)
    place = {int(number): k for k, number in enumerate(proxies.source_frames)}
    before: Stretch | None = None
    for number in frames:
        stretch = registration.stretch_at(number)
        if stretch is not before:
            matrix = np.linalg.inv(stretch.matrix).astype(np.float64)
            expected, inside = warp_picture(ambient, matrix, factor=proxies.factor)
            sigma = proxies.noise_proxy.sigma(expected) + PASSER_MISMATCH * np.maximum(expected, 0) + PASSER_FLOOR
            before = stretch
        off = np.abs(to_float(proxies.rgb[place[number]]) - expected)
        off /= sigma
        doubtful = cv2.blur(brightest_channel(off), (9, 9)) > PASSER_SIGMA
        body = cv2.morphologyEx((doubtful & inside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((9, 9), np.uint8))
        often += body
        if body.mean() > PASSER_SHARE:
            found[number] = cv2.dilate(body, np.ones((15, 15), np.uint8)) > 0
    always = often > len(frames) / 2
    return {number: body & ~always for number, body in found.items()}
