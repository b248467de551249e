"""A quick look: evenly spaced frames of a take at survey size, and a sweep made of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.ceiling import holds_highlights
from lightstack.core.noise import NoiseTally
from lightstack.core.sampling import plan_samples
from lightstack.core.sweep.survey import average_frames
from lightstack.errors import UnreadableInput, UnusableTake
from lightstack.files.processors import usable_processors
from lightstack.files.shot.schema import Sweep, TakeSettings
from lightstack.jobs.takes.footage import FittedTake, resolve_ranges
from lightstack.jobs.takes.look import CODE_ERROR, SweepLook, measure_look, register_proxies
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.survey import UNKNOWN_NOISE, note_past, survey_factor
from lightstack.jobs.takes.unlit import code_step, find_unlit
from lightstack.records import CodedFrame, NoiseModel, Progress, ProxyTake, Registration, Stretch

SAMPLES = 56
NEIGHBOURS = 8  # samples that are seen with the frame after them, for noise and compression
# Two processors decode about 18 UHD frames a second of H.264 and convert them: 8 s of that.
PIXELS_PER_PROCESSOR = 0.6e9
WHOLE_COST = 3  # a frame coded by itself against one that is told by its neighbours: bits, and so time
LOST_SHARE = 0.2  # of the frames: past it poses are not to be believed
MOST_PROCESSORS = 8  # decoders gain little from more


def decode_budget(size: tuple[int, int]) -> int:
    """Return how many frames (H, W) a quick look may decode on this machine."""
    processors = min(usable_processors(), MOST_PROCESSORS)
    return max(SAMPLES // 2, int(processors * PIXELS_PER_PROCESSOR / (size[0] * size[1])))


def choose_frames(fitted: FittedTake, use: tuple[int, int] | None) -> tuple[int, ...]:
    """Choose the frames of a quick look: evenly spaced, some with the frame after them."""
    info = fitted.take.info
    first, last = use or (info.first_frame, info.last_frame)
    budget, sync = decode_budget((info.height, info.width)), fitted.take.list_sync()
    count = SAMPLES if sync is not None else min(SAMPLES, max(SAMPLES // 2, budget // WHOLE_COST))
    frames = plan_samples(first, last, count, sync=sync, budget=budget)
    every = max(1, len(frames) // NEIGHBOURS)
    return tuple(sorted({*frames, *(frame + 1 for frame in frames[::every] if frame < last)}))


def look_quickly(fitted: FittedTake, settings: TakeSettings, luma: LumaSamples, *, progress: Progress) -> ProxyTake:
    """See evenly spaced frames of a take at survey size."""
    info = fitted.take.info
    use = None if settings.use is None else resolve_ranges([settings.use], fitted.take, what="use")[0]
    numbers = choose_frames(fitted, use)
    luma.expect(numbers)
    factor = survey_factor(*fitted.size[::-1])
    rgb: list[NDArray[np.float16]] = []
    flags: list[NDArray[np.uint8]] = []
    seen: list[CodedFrame] = []
    with progress.step(f"look at {info.name}", len(numbers)) as step:
        for frame in fitted.take.read_frames(numbers):
            picture, clipped = fitted.proxy(frame, factor)
            luma.watch(frame)
            rgb.append(np.clip(picture, -6e4, 6e4).astype(np.float16))
            flags.append(np.asarray(clipped, np.uint8))
            seen.append(CodedFrame(frame.number, (), frame.seconds))
            step.advance()
    if not seen:
        raise UnreadableInput(f"{info.paths[0]}: holds no frames in the range asked for; check `use`")
    frames = np.array([frame.number for frame in seen], np.int64)
    repeats = [False] + [
        bool(b == a + 1 and np.array_equal(x, y)) for a, b, x, y in zip(frames, frames[1:], rgb, rgb[1:], strict=False)
    ]
    pictures = np.stack(rgb)
    note_past(pictures, fitted)
    proxies = ProxyTake(
        name=info.name,
        rgb=pictures,
        clipped=np.stack(flags),
        source_frames=frames,
        seconds=np.array([np.nan if f.seconds is None else float(f.seconds) for f in seen]),
        factor=factor,
        full_size=fitted.size,
        noise_full=UNKNOWN_NOISE,
        noise_proxy=UNKNOWN_NOISE,
        duplicate=np.array(repeats, bool),
    )
    return with_noise(proxies)


def with_noise(proxies: ProxyTake) -> ProxyTake:
    """Measure noise from the pairs of frames that follow each other; from the stillest of all where there are none."""
    follows = np.flatnonzero(np.diff(proxies.source_frames) == 1)
    for pairs in (follows, np.arange(len(proxies) - 1)):
        noise = noise_of_pairs(proxies, pairs)
        if noise is not None:
            return replace(proxies, noise_proxy=noise)
    return proxies


def noise_of_pairs(proxies: ProxyTake, starts: NDArray[np.integer]) -> NoiseModel | None:
    """Measure noise from the pairs of frames that begin at ``starts`` (indices); None where no pair differs."""
    tally = NoiseTally(scale=proxies.factor)
    for k in starts:
        tally.add(*(np.nan_to_num(proxies.rgb[i].astype(np.float32)) for i in (int(k), int(k) + 1)))
    try:
        return tally.result()
    except UnusableTake:
        return None


def stand_still(proxies: ProxyTake) -> Registration:
    """Return the registration of a take that is taken not to have moved."""
    first, last = int(proxies.source_frames[0]), int(proxies.source_frames[-1])
    return Registration(proxies.name, "none", (Stretch(first, last, np.eye(3), True, 0.0, 0.0, len(proxies)),))


def look_at_quick_sweep(
    fitted: FittedTake, proxies: ProxyTake, empty: ProxyTake | None, folder: Path, *, progress: Progress
) -> SweepLook:
    """Make of a sweep's sampled frames what a survey makes of all of them.

    Raises
    ------
    UnusableTake
        As `look_at_sweep` does.
    """
    bare = None if empty is None else average_frames(empty, range(len(empty))).astype(np.float32)
    lamp_off = find_unlit(proxies, fitted, bare)
    if lamp_off.all():
        raise UnusableTake("the light never changes; check that the lamp was on and this is the sweep")
    dark = np.flatnonzero(lamp_off)
    if len(dark) < 2 and bare is None:
        raise UnusableTake(
            "no frames without the lamp among those looked at and no empty take; "
            "film three seconds with the lamp covered, or give an empty take"
        )
    ambient = average_frames(proxies, dark.tolist()).astype(np.float32) if len(dark) >= 2 else bare
    assert ambient is not None
    registration = register_proxies(proxies, ambient, ~lamp_off, model="auto", frames=max(1, len(dark)))
    if len(registration.left_out) > LOST_SHARE * len(proxies):
        registration = stand_still(proxies)
    return measure_look(
        proxies,
        registration,
        ambient,
        lamp_off,
        None,
        Sweep(path=("quick",)),
        len(dark) >= 2,
        beyond_white=holds_highlights(fitted.take.info.encoding),
        code_error=CODE_ERROR * code_step(fitted.take.info.encoding),
        folder=folder,
        progress=progress,
    )
