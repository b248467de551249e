"""Did the camera stand still: bumps, sags, and cameras that never did.

Poses come from the registration. Frames are compared with the place where the camera stood longest, so that a
take is judged by itself; how it stands against another take is told by ``between``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import to_float
from lightstack.core.register.parallax import measure_parallax
from lightstack.core.register.pose_trace import (
    MOVING_PX,
    SHARP_PX,
    SHORT_FRAMES,
    Movement,
    PoseTrace,
    extent_px,
    find_movements,
    find_moving,
    find_still_span,
    list_spans,
    trace_poses,
)
from lightstack.core.register.register import LEAST_SHIFT_PX, measure_pose
from lightstack.core.warp import corner_shift_px
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, FrameSpan, ProxyTake, Registration

__all__ = ["LockEvidence", "check_lock_off", "gather_evidence", "measure_wander"]

LARGEST_PX = 20.0  # common practice: beyond that the picture's rim is lost and the framing is another
MOVING_SHARE = 0.4  # of the frames, from which the camera counts as carried
LOST_AGREEMENT = 0.3  # texture of one room on two frames agrees by 0.6 to 0.9, of two rooms by under 0.1
DOUBTFUL_SHARE = (0.05, 0.4)  # of the frames whose pose is not to be believed
PARALLAX_PX = 0.6  # full-size pixels by which near and far may part company
PARALLAX_SIGMAS = 4.0


@dataclass(frozen=True, slots=True)
class LockEvidence:
    """What poses cannot tell, full-size pixels, NaN where not measured: ``parallax_px`` by which near and far things
    part, its standard error, and ``wander_px``, the movement within a quarter second in the middle pair of frames."""

    parallax_px: float = nan
    parallax_error_px: float = nan
    wander_px: float = nan


def gather_evidence(
    proxies: ProxyTake, registration: Registration, *, lamp_on: BoolArray | None = None
) -> LockEvidence:
    """Look into what poses alone cannot tell: parallax, and movement that the registration lost.

    Notes: costs next to nothing where the camera stood still; 30 to 100 ms for each of up to 16 frames otherwise.
    """
    lit = np.zeros(len(proxies), bool) if lamp_on is None else np.asarray(lamp_on, bool)
    trace = trace_poses(registration, proxies.source_frames, proxies.full_size, lamp_on=lit)
    parallax = find_parallax(proxies, registration, trace, lit)
    wander = nan
    if np.mean(~trace.believed) > DOUBTFUL_SHARE[0] or _median(registration.agreement) < LOST_AGREEMENT:
        wander = measure_wander(proxies)
    return LockEvidence(*parallax, wander)


def find_parallax(
    proxies: ProxyTake, registration: Registration, trace: PoseTrace, lit: BoolArray, *, most: int = 4
) -> tuple[float, float]:
    """Measure by how much near and far things moved differently where the camera moved most.

    Returns pixels of the full picture and their standard error; (nan, nan) where the camera hardly moved. Up to
    ``most`` frames are looked at, one in each pose, each against frames of the same light in the pose held longest.
    """
    at_home = trace.believed & (trace.corner_px <= SHARP_PX)
    worst = (nan, nan)
    tried: list[float] = []
    for k in np.argsort(-trace.corner_px, kind="stable"):
        if trace.corner_px[k] < 1.0 or len(tried) == most:
            break
        like = np.flatnonzero(at_home & (lit == lit[k]))
        if not trace.believed[k] or trace.corner_px[k] in tried or not len(like):
            continue
        tried.append(float(trace.corner_px[k]))
        near = like[np.argsort(np.abs(like - k), kind="stable")[:4]]
        pose = registration.stretch_at(int(proxies.source_frames[k])).matrix
        home = registration.stretch_at(int(proxies.source_frames[near[0]])).matrix
        measured = measure_parallax(
            _mean_of([proxies.rgb[int(i)] for i in near]),
            to_float(proxies.rgb[int(k)]),
            pose @ np.linalg.inv(home),
            factor=proxies.factor,
            noise=proxies.noise_proxy,
            averaged=(len(near), 1),
        )
        if isfinite(measured[0]) and not measured[0] <= worst[0]:
            worst = measured
    return worst


def measure_wander(proxies: ProxyTake, *, pairs: int = 12, apart: int = SHORT_FRAMES) -> float:
    """Measure how far the picture moves in a quarter second: the median of pairs of frames over the take, full-size
    pixels of the worst corner; NaN where fewer than three pairs can be matched."""
    starts = np.unique(np.linspace(0, max(len(proxies) - 1 - apart, 0), pairs).astype(int))
    moved = []
    for start in starts.tolist():
        if start + apart >= len(proxies):
            continue
        one, two = (to_float(proxies.rgb[k]) for k in (start, start + apart))
        fit = measure_pose(one, two, factor=proxies.factor, noise=proxies.noise_proxy)
        shift = corner_shift_px(fit.matrix, proxies.full_size)
        if fit.converged and fit.agreement > LOST_AGREEMENT:
            moved.append(shift if shift > 4 * fit.standard_error_px else 0.0)
    return float(np.median(moved)) if len(moved) >= 3 else nan


def _median(values: FloatArray) -> float:
    return float(np.median(values)) if len(values) else nan


def _mean_of(pictures: Sequence[FloatArray]) -> FloatArray:
    return np.mean([np.asarray(picture, np.float32) for picture in pictures], axis=0, dtype=np.float32)


def check_lock_off(
    registration: Registration,
    source_frames: Sequence[int] | NDArray[np.int64],
    *,
    size: tuple[int, int],
    seconds: FloatArray | None = None,
    lamp_on: BoolArray | None = None,
    evidence: LockEvidence | None = None,
) -> Finding:
    """Judge whether the camera stood still.

    ``source_frames`` (n,) and ``seconds`` (n,) of the frames surveyed; ``size`` (H, W) of the full picture;
    ``evidence``: as ``gather_evidence`` gives it; without it parallax is not judged.

    Notes: a bump or a sag is put back by the registration and so "usable"; a camera that was carried, a zoom or a
    pan, and a camera whose movement shows parallax are not.
    """
    if registration.model == "none":
        return Finding("lock-off", NOT_CHECKED, "The picture holds too little texture to tell whether it moved.")
    known = evidence or LockEvidence()
    trace = trace_poses(registration, source_frames, size, lamp_on=lamp_on)
    moves = find_movements(trace)
    worst = extent_px(trace)
    figures = _figures(trace, moves, worst, known)
    torn = known.parallax_px > max(PARALLAX_PX, PARALLAX_SIGMAS * known.parallax_error_px)
    if torn or known.wander_px > MOVING_PX or np.mean(find_moving(trace)) >= MOVING_SHARE:
        return _tell_moving(trace, figures, known, torn, worst)
    doubtful = float(np.mean(~trace.believed))
    level = int(worst > SHARP_PX or bool(moves)) + int(worst >= LARGEST_PX)
    level = max(level, int(doubtful > DOUBTFUL_SHARE[0]) + int(doubtful >= DOUBTFUL_SHARE[1]))
    cut = _frames_to_cut(trace, moves)
    says = _tell_moves(trace, moves, worst, seconds, doubtful if doubtful > DOUBTFUL_SHARE[0] else 0.0)
    remedy = ""
    if level:
        remedy = _advise(moves) + (f" Cut frames {_say_spans(cut)}." if cut else "")
    return Finding("lock-off", ("good", "usable", "reshoot")[level], says, remedy, figures, cut)


def _figures(trace: PoseTrace, moves: Sequence[Movement], worst: float, evidence: LockEvidence) -> tuple[Figure, ...]:
    good = trace.believed
    shift = float(np.hypot(*trace.shift_px[good].T).max(initial=0.0))
    turn = float(np.abs(trace.turn_deg[good]).max(initial=0.0))
    growth = float(np.abs(trace.scale[good] - 1).max(initial=0.0))
    more = (("parallax", evidence.parallax_px), ("movement in a quarter second", evidence.wander_px))
    return (
        Figure("worst corner", worst, "px"),
        Figure("shift", shift, "px"),
        Figure("rotation", turn, "°", 3),
        Figure("scale", 100 * growth, "%", 3),
        Figure("bumps", sum(move.kind == "bump" for move in moves), "", 0),
        Figure("largest bump", max((m.size_px for m in moves if m.kind == "bump"), default=0.0), "px"),
        Figure("sag", max((m.size_px for m in moves if m.kind == "sag"), default=0.0), "px"),
        Figure("left out", int(np.sum(~trace.believed)), "frames", 0),
        *(Figure(name, value, "px") for name, value in more if isfinite(value)),
    )


def _frames_to_cut(trace: PoseTrace, moves: Sequence[Movement]) -> tuple[FrameSpan, ...]:
    """Frames whose pose was held for a moment only, or is not to be believed."""
    bad = ~trace.believed
    for move in moves:
        if move.kind == "bump":
            inside = (trace.source_frames > move.first) & (trace.source_frames < move.last)
            bad |= inside & (trace.held < SHORT_FRAMES)
    return list_spans(trace.source_frames, bad)


def _say_spans(spans: Sequence[FrameSpan], most: int = 4) -> str:
    words = [f"{a}" if a == b else f"{a}–{b}" for a, b in spans[:most]]
    return ", ".join(words) + (f" and {len(spans) - most} more" if len(spans) > most else "")


def _tell_moving(
    trace: PoseTrace, figures: tuple[Figure, ...], evidence: LockEvidence, torn: bool, worst: float
) -> Finding:
    """Say that the camera was not locked off, and which stretch is."""
    still = find_still_span(trace)
    inside = (trace.source_frames >= still[0]) & (trace.source_frames <= still[1])
    # where the registration lost the picture, a pose that stays the same proves nothing
    holds = inside.sum() >= 2 * SHORT_FRAMES and np.mean(trace.believed[inside]) > 0.8
    holds = holds and not (evidence.wander_px > MOVING_PX and inside.mean() > 0.8)
    held = f"frames {still[0]}–{still[1]} stand still" if holds else "no stretch stands still"
    why = f"the frame wanders by {max(worst, np.nan_to_num(evidence.wander_px)):.1f} px"
    if torn:
        why = f"near and far things part by {evidence.parallax_px:.1f} px, which no registration takes out"
    remedy = "Lock the tripod's head, weigh it down, switch stabilisation off and shoot again"
    remedy += f", or use frames {still[0]} to {still[1]} only." if holds else "."
    says = f"Not locked-off: {why}; {held}."
    spans = list_spans(trace.source_frames, ~inside if holds else np.ones_like(inside))
    return Finding("lock-off", "reshoot", says, remedy, figures, spans)


def _tell_moves(
    trace: PoseTrace, moves: Sequence[Movement], worst: float, seconds: FloatArray | None, doubtful: float
) -> str:
    """Say how the camera moved, the largest movement first."""
    told = []
    for move in sorted(moves, key=lambda move: -move.worst_px)[:3]:
        if move.kind == "bump":
            back = " and came back" if move.size_px < SHARP_PX else ""
            told.append(f"a bump of {move.worst_px:.2f} px at frame {move.last}{back}")
        else:
            pace = _pace(trace, move, seconds)
            told.append(f"a sag of {move.worst_px:.2f} px over frames {move.first}–{move.last}{pace}")
    if len(moves) > 3:
        told.append(f"{len(moves) - 3} smaller movements")
    if doubtful:
        told.append(f"{int(np.sum(~trace.believed))} frames ({100 * doubtful:.0f} %) whose place is not sure")
    if not told:
        known = trace.error_px[np.isfinite(trace.error_px)]
        error = max(float(np.median(known)) if len(known) else nan, LEAST_SHIFT_PX)
        return f"The camera stood still (worst corner {worst:.2f} px, sure to {error:.2f} px)."
    return f"The camera moved, worst corner {worst:.2f} px: {', '.join(told)}; the registration puts it back."


def _pace(trace: PoseTrace, move: Movement, seconds: FloatArray | None) -> str:
    if seconds is None:
        return ""
    times = np.asarray(seconds, np.float64)[np.isin(trace.source_frames, (move.first, move.last))]
    span = float(times[-1] - times[0]) if len(times) == 2 else nan
    return f" ({60 * move.size_px / span:.2f} px a minute)" if isfinite(span) and span > 0 else ""


def _advise(moves: Sequence[Movement]) -> str:
    kinds = {move.kind for move in moves}
    if kinds == {"sag"}:
        return "Tighten the tripod's head, take weight off the front of the camera, and wait until it has settled."
    return "Weigh the tripod down, keep off the floorboards and the cables near it; shoot again if there is time."
