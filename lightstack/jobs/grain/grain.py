"""Grain measured in an open take: bursts of frames spread over it, away from bumps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from lightstack.core.colour.ceiling import last_signal
from lightstack.core.colour.decoder import code_scales
from lightstack.core.colour.light import convert_matrix
from lightstack.core.colour.measured import curve_of, name_curve
from lightstack.core.grain.measure import BurstTally, cut_strips
from lightstack.core.grain.profile import Footage, make_profile
from lightstack.core.sampling import space_evenly
from lightstack.errors import UnusableTake
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.survey_job import start_ceiling
from lightstack.records import Encoding, GrainProfile, Progress, Registration

__all__ = ["LEAST_PAIRS", "measure_grain", "plan_bursts"]

BURSTS = 12
OFFSETS = (0, 1, 2, 3, 8)  # frames of a burst: three that follow each other tell of time, the last one of strength
FAR_OFFSETS = (0, 1, 2, 3, 40)  # where a codec carries grain along: beyond its groups of frames, a second in most
CARRIED = 0.15  # correlation in time from which it does
LEAST_PAIRS = 30  # of frames, from which strength is known within a few percent


def measure_grain(
    fitted: FittedTake,
    *,
    use: tuple[int, int] | None = None,
    registration: Registration | None = None,
    bursts: int = BURSTS,
    progress: Progress,
) -> GrainProfile:
    """Measure the grain of an open take.

    Parameters
    ----------
    fitted : the take; it must not be scaled, for scaling changes grain.
    use : first and last source frame to look at.
    registration : where it moved; bursts then lie within stretches of one pose.

    Raises UnusableTake for a single frame, or too few still places.

    Notes: where grain hangs together from frame to frame, frames of one group differ by less than their grain; then
    frames further apart are asked, where the take has them.
    """
    first = measure_bursts(fitted, OFFSETS, use=use, registration=registration, bursts=bursts, progress=progress)
    if not np.nanmax(first.whiteness, initial=0.0) > CARRIED:
        return first
    try:
        return measure_bursts(fitted, FAR_OFFSETS, use=use, registration=registration, bursts=bursts, progress=progress)
    except UnusableTake:
        return first


def measure_bursts(
    fitted: FittedTake,
    offsets: Sequence[int],
    *,
    use: tuple[int, int] | None,
    registration: Registration | None,
    bursts: int,
    progress: Progress,
) -> GrainProfile:
    """Measure grain in bursts of frames at ``offsets``; else as `measure_grain`."""
    info = fitted.take.info
    path = info.paths[0]
    spans = list_spans(use or (info.first_frame, info.last_frame), registration)
    plan = plan_bursts(spans, bursts, offsets)
    if not plan:
        raise UnusableTake(f"{path}: grain needs at least two frames that follow each other; name a second of footage")
    tally, ceiling = BurstTally(), start_ceiling(fitted)
    with progress.step(f"grain of {info.name}", len(plan)) as step:
        for burst in plan:
            strips, clipped = [], None
            for frame in fitted.take.read_frames(burst):
                if ceiling is not None:
                    ceiling.add(frame.planes[0])
                strips.append(cut_strips(fitted.linear(frame)))
                flags = cut_strips(fitted.clipped(frame) > 0)
                clipped = flags if clipped is None else clipped | flags
            if len(strips) == len(burst) and clipped is not None:  # a damaged end that was kept holds fewer
                tally.add(strips, [number - burst[0] for number in burst], clipped)
            step.advance()
    footage = describe_footage(fitted, None if ceiling is None else ceiling.result())
    profile = make_profile(tally, footage)
    if profile.pairs < LEAST_PAIRS:
        line = f"measured from {profile.pairs} pairs of frames, {LEAST_PAIRS} are wanted; name a longer take"
        profile = replace(profile, warnings=(*profile.warnings, line))
    return profile


def list_spans(use: tuple[int, int], registration: Registration | None) -> list[tuple[int, int]]:
    """Return runs of source frames that share a pose, within ``use``."""
    if registration is None:
        return [use]
    ends = [(max(one.first, use[0]), min(one.last, use[1])) for one in registration.stretches]
    return [(first, last) for first, last in ends if last > first] or [use]


def plan_bursts(
    spans: Sequence[tuple[int, int]], count: int, offsets: Sequence[int] = OFFSETS
) -> list[tuple[int, ...]]:
    """Return the source frames of about ``count`` bursts that do not overlap, shared out by the spans' lengths.

    ``offsets``: of a burst's frames. Bursts reach over each other where the take is too short for as many as are needed
    to reach far.
    """
    total = sum(last - first + 1 for first, last in spans)
    plan: list[tuple[int, ...]] = []
    for first, last in spans:
        length = last - first + 1
        if length < 2:
            continue
        widest = min(offsets[-1], length - 1)
        shape = sorted({min(offset, widest) for offset in offsets})
        # far frames of one burst may lie within another, as long as no frame is in two
        most = max(1, length // (widest + 1)) if offsets[-1] <= OFFSETS[-1] else max(1, (last - widest - first) // 5)
        share = min(most, max(1, round(count * length / total)))
        plan += [tuple(start + o for o in shape) for start in space_evenly(first, last - widest, share)]
    return plan


def describe_footage(fitted: FittedTake, ceiling: float | None) -> Footage:
    """Return what a profile says of its take. ``ceiling``: signal at which it clips, None: not known."""
    info, working = fitted.take.info, fitted.take.working
    encoding = info.encoding
    known = encoding.ocio_space is None and not encoding.is_float
    limit = np.inf
    if known:
        signal = last_signal(encoding) if ceiling is None else ceiling
        limit = float(curve_of(encoding).decode(np.array(signal)))
    native = working is None or working == encoding.primaries
    if not native and known:  # a channel of other primaries clips where the first of its parts does
        limit *= float(np.min(np.abs(convert_matrix(encoding.primaries, str(working))).sum(axis=1)))
    return Footage(
        take=info.name,
        size=fitted.size,
        encoding=describe_encoding(encoding, info.codec),
        primaries=working or encoding.primaries,
        ceiling=limit * float(fitted.gain.min()),
        encode=curve_of(encoding).encode if known else None,
        scale=code_scales(encoding)[0] if known else (0.0, 1.0),
    )


def describe_encoding(encoding: Encoding, codec: str) -> str:
    """Write an encoding in words: ``h264, bt709, 10 bit, limited, 422``."""
    if encoding.ocio_space is not None:
        return f"{codec}, {encoding.ocio_space}"
    bits = "float" if encoding.is_float else f"{encoding.bit_depth} bit"
    return f"{codec}, {name_curve(encoding)}, {bits}, {encoding.range}, {encoding.chroma}"
