"""Is a sweep good for a plate: where its light arrived, how fast it went, what its carrier covered, flare."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isfinite, nan

import numpy as np
from numpy.typing import NDArray

from lightstack.core.sweep.reach import find_holes, name_place
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, FrameSpan, FrameTable, Hole

__all__ = ["Cover", "SweepRank", "SweepScore", "check_sweep", "measure_cover", "rank_sweeps", "tell_rank"]

# Where "good" ends and "reshoot" begins: common practice of the trade, no standard.
REACH_SHARE = (0.97, 0.60)
COVERAGE = (0.98, 0.80)
SMEAR_PX = (4.0, 24.0)  # full-size pixels during one exposure, median over the lit frames
FLARE_SHARE = (0.10, 0.60)  # of the mean light: what even the darkest places gain
FLARE_FRAMES = 0.10  # share of the lit frames that may flare before it is worth a word
NEVER_SHARE = (0.01, 0.15)  # of the picture covered on every lit frame
LONG_GAP_SECONDS = 1.5  # common practice: a carried lamp stays with a place for a second or two
HALF_OPEN = 180.0  # degrees; what FrameTable.smear_px takes for granted
PAIR_GAIN = 0.01  # of the picture that a second sweep must add to be worth naming


@dataclass(frozen=True, slots=True)
class Cover:
    """How long carrier and lamp covered each place: ``share`` (h, w) of the lit frames, ``longest_seconds`` without a
    break at the worst place, ``x`` and ``y`` of that place in full-size pixels, ``where`` in words, ``never`` the share
    of the picture that no lit frame shows."""

    share: NDArray[np.float32]
    longest_seconds: float
    x: float
    y: float
    where: str
    never: float


@dataclass(frozen=True, slots=True)
class SweepScore:
    """One sweep as it is ranked: ``reach`` (h, w) bool, ``coverage`` 0..1, median smear in pixels, grade of its
    findings."""

    name: str
    reach: BoolArray
    coverage: float = nan
    smear_px: float = nan
    grade: str = "good"


@dataclass(frozen=True, slots=True)
class SweepRank:
    """Sweeps from best to worst: ``order`` of names, ``reach`` share of each in that order, ``together`` the best pair
    (or one name), ``together_share`` of the picture reached by it, ``all_share`` by all, ``holes`` that none lights."""

    order: tuple[str, ...]
    reach: tuple[float, ...]
    together: tuple[str, ...]
    together_share: float
    all_share: float
    holes: tuple[Hole, ...]


def measure_cover(covered: Iterable[BoolArray], lamp_on: BoolArray, *, seconds: FloatArray, factor: int) -> Cover:
    """Measure how long each place was covered by the lamp or whoever carries it.

    ``covered``: ``(h, w)`` bool of every frame in turn. ``lamp_on``, ``seconds``: ``(n,)``. ``factor``: full-size
    pixels per pixel of ``covered``.

    Notes: unlit frames neither count nor break a run. Memory of a few frames.
    """
    run: NDArray[np.float32] | None = None
    times = np.asarray(seconds, np.float64)
    step = _frame_seconds(times)
    lit = 0
    for k, cover in enumerate(covered):
        if not lamp_on[k]:
            continue
        here = np.asarray(cover, bool)
        if run is None:
            run, longest, count = (np.zeros(here.shape, np.float32) for _ in range(3))
        run = np.where(here, run + np.float32(step), 0)
        np.maximum(longest, run, out=longest)
        count += here
        lit += 1
    if run is None:
        empty = np.zeros((1, 1), np.float32)
        return Cover(empty, 0.0, nan, nan, "", 0.0)
    share = (count / lit).astype(np.float32)
    # of the places covered longest, the one covered most often
    row, column = np.unravel_index(int(np.argmax(longest + 1e-3 * share)), share.shape)
    where = name_place((column + 0.5) / share.shape[1], (row + 0.5) / share.shape[0])
    x, y = ((i + 0.5) * factor for i in (column, row))
    return Cover(share, float(longest.max()), float(x), float(y), where, float(np.mean(count >= lit)))


def _frame_seconds(seconds: NDArray[np.float64]) -> float:
    steps = np.diff(seconds)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    return float(np.median(steps)) if len(steps) else 1 / 24


def check_sweep(
    table: FrameTable,
    *,
    reach: BoolArray | None = None,
    holes: Sequence[Hole] | None = None,
    coverage: float = nan,
    key_count: int = 0,
    cover: Cover | None = None,
    gap_seconds: float = 0.0,
    shutter_deg: float = HALF_OPEN,
    size: tuple[int, int] | None = None,
) -> tuple[Finding, ...]:
    """Judge a sweep: where its light arrived, coverage of the key frames, speed, carrier, flare.

    ``reach``: ``(h, w)`` bool at any size; ``holes``: in full-size pixels, found in ``reach`` where not given (then
    ``size`` (H, W) of the full picture scales them). ``gap_seconds``: longest time between
    frames looked at while the lamp was on, where not all were. ``shutter_deg``: shutter angle, for smear. What is not
    given is left out.
    """
    lit = np.asarray(table.lamp_on, bool)
    if not lit.any():
        return (
            Finding(
                "sweep", "reshoot", "The lamp is not seen at all: no frame is brighter than the noise.",
                "Check that the lamp was on and that this is the sweep.",
            ),
        )  # fmt: skip
    found = []
    if reach is not None:
        found.append(_check_reach(np.asarray(reach, bool), holes, size, gap_seconds))
    if isfinite(coverage):
        found.append(_check_coverage(coverage, key_count))
    found.append(_check_speed(table, lit, shutter_deg))
    if cover is not None:
        found.append(_check_cover(cover))
    found.append(_check_flare(table, lit))
    return tuple(found)


def _grade(value: float, limits: tuple[float, float]) -> str:
    """Grade by (end of good, begin of reshoot), rising or falling."""
    good, bad = limits
    sign = 1 if bad > good else -1
    level = int(sign * value > sign * good) + int(sign * value >= sign * bad)
    return ("good", "usable", "reshoot")[level]


def _check_reach(
    reach: BoolArray, holes: Sequence[Hole] | None, size: tuple[int, int] | None, gap_seconds: float
) -> Finding:
    share = float(reach.mean())
    dark = find_holes(reach) if holes is None else tuple(holes)
    if holes is None and size is not None:
        dark = tuple(_scale_hole(hole, size[1] / reach.shape[1]) for hole in dark)
    grade = _grade(share, REACH_SHARE)
    figures = (Figure("reached", 100 * share, "%", 1), Figure("dark places", len(dark), "", 0))
    says = f"The light reached {100 * share:.1f} % of the picture"
    if not dark:
        return Finding(
            "sweep", grade, f"{says}.", "" if grade == "good" else "Light the rest in a further pass.", figures
        )
    named = ", ".join(f"{hole.where} ({100 * hole.area_share:.1f} %)" for hole in dark[:4])
    more = f" and {len(dark) - 4} more" if len(dark) > 4 else ""
    boxes = tuple(_hole_box(hole, size) for hole in dark) if size is not None else ()
    remedy = (
        "" if grade == "good" else f"Carry the lamp there in a further pass: {', '.join(h.where for h in dark[:4])}."
    )
    says = f"{says}; left dark: {named}{more}."
    if gap_seconds > LONG_GAP_SECONDS:
        says += f" Up to {gap_seconds:.1f} s of it were not looked at: what was lit only then counts as dark."
        remedy = f"Inspect the take without --quick before you film again. {remedy}".rstrip()
        grade = "usable" if grade == "reshoot" else grade  # what was not looked at condemns nothing
    return Finding("sweep", grade, says, remedy, figures, (), boxes)


def _scale_hole(hole: Hole, factor: float) -> Hole:
    return Hole(hole.number, hole.x * factor, hole.y * factor, hole.area_share, hole.where)


def _hole_box(hole: Hole, size: tuple[int, int]) -> tuple[float, float, float, float]:
    """A square of the hole's area about its innermost point."""
    half = 0.5 * float(np.sqrt(hole.area_share * size[0] * size[1]))
    x0, y0 = max(hole.x - half, 0.0), max(hole.y - half, 0.0)
    return x0, y0, min(hole.x + half, float(size[1])), min(hole.y + half, float(size[0]))


def _check_coverage(coverage: float, key_count: int) -> Finding:
    grade = _grade(coverage, COVERAGE)
    figures = (Figure("coverage", 100 * coverage, "%", 1), Figure("key frames", key_count, "", 0))
    says = f"{key_count} key frames hold {100 * coverage:.1f} % of what the whole sweep lights."
    return Finding("sweep", grade, says, "" if grade == "good" else "Allow more key frames (max_keys).", figures)


def _check_speed(table: FrameTable, lit: BoolArray, shutter_deg: float) -> Finding:
    """Judge how far the light's edges move while the shutter is open."""
    smear = np.asarray(table.smear_px, np.float64)[lit] * shutter_deg / HALF_OPEN
    measured = smear[np.isfinite(smear)]
    if len(measured) < 3:
        says = "The lamp's light has no edges to tell its speed by."
        return Finding("sweep", NOT_CHECKED, says)
    usual, fast = float(np.median(measured)), float(np.quantile(measured, 0.9))
    grade = _grade(usual, SMEAR_PX)
    figures = (
        Figure("smear", usual, "px", 1),
        Figure("smear of the fastest tenth", fast, "px", 1),
        Figure("speed of the light's edges", usual * 360 / shutter_deg, "px a frame", 1),
        Figure("shutter angle", shutter_deg, "°", 0),
    )
    says = (
        f"The light's edges move {usual:.1f} px while the shutter is open ({shutter_deg:.0f}°), "
        f"{fast:.1f} px in the fastest tenth"
    )
    if grade == "good":
        return Finding("sweep", grade, f"{says}.", figures=figures)
    slower = usual / SMEAR_PX[0]
    remedy = f"Walk {slower:.1f} times slower, or shorten the shutter as much and light up by as many stops."
    numbers = np.asarray(table.source_frames)[lit]
    frames = _spans(numbers, smear > 2 * SMEAR_PX[0])
    return Finding("sweep", grade, f"{says}: shadow edges come out soft.", remedy, figures, frames)


def _check_cover(cover: Cover) -> Finding:
    grade = _grade(cover.never, NEVER_SHARE)
    figures = (
        Figure("covered longest", cover.longest_seconds, "s", 1),
        Figure("covered at the worst place", 100 * float(cover.share.max()), "% of the lit frames", 0),
        Figure("covered on every lit frame", 100 * cover.never, "%", 1),
    )
    if not cover.share.any():
        return Finding("sweep", grade, "Nobody stands before the set while the lamp is on.", figures=figures)
    says = (
        f"Whoever carries the lamp covers {cover.where} longest, {cover.longest_seconds:.1f} s without a break; "
        f"{100 * cover.never:.1f} % of the picture is covered on every lit frame."
    )
    remedy = (
        ""
        if grade == "good"
        else f"Walk on behind the camera's view of {cover.where}, or shoot a second pass the other way."
    )
    box = (cover.x - 1, cover.y - 1, cover.x + 1, cover.y + 1)
    return Finding("sweep", grade, says, remedy, figures, (), () if grade == "good" else (box,))


def _check_flare(table: FrameTable, lit: BoolArray) -> Finding:
    flare = np.nan_to_num(np.asarray(table.flare, np.float64))[lit]
    worst = float(flare.max())
    often = float(np.mean(flare > FLARE_SHARE[0]))
    mean = float(flare.mean())
    figures = (
        Figure("worst flare", 100 * worst, "% of the mean light", 0),
        Figure("frames that flare", 100 * often, "%", 0),
    )
    if often <= FLARE_FRAMES:
        seen = f"; on {100 * often:.0f} % of the frames the lamp shines into the lens" if often else ""
        return Finding(
            "sweep", "good", f"The lens hardly flares (worst frame {100 * worst:.0f} %){seen}.", figures=figures
        )
    numbers = np.asarray(table.source_frames)[lit]
    grade = "reshoot" if mean >= FLARE_SHARE[1] else "usable"
    says = (
        f"The lamp shines into the lens on {100 * often:.0f} % of the lit frames; flare lifts even the darkest places "
        f"by up to {100 * worst:.0f} % of the mean light."
    )
    remedy = "Turn the lamp from the lens, flag it or hood the lens; those frames weigh less in the choice."
    return Finding("sweep", grade, says, remedy, figures, _spans(numbers, flare > FLARE_SHARE[0]))


def _spans(numbers: NDArray[np.int64], marked: BoolArray) -> tuple[FrameSpan, ...]:
    edges = np.flatnonzero(np.diff(np.r_[False, marked, False].astype(np.int8)))
    return tuple((int(numbers[a]), int(numbers[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True))


def rank_sweeps(scores: Sequence[SweepScore]) -> SweepRank:
    """Rank sweeps of one room and say which two together light most.

    The reach pictures must have one size. Better grade first, then reach in whole percent, then coverage, then the
    slower.
    """

    def merit(score: SweepScore) -> tuple[float, ...]:
        grade = ("good", "usable", "reshoot").index(score.grade)
        slow = score.smear_px if isfinite(score.smear_px) else 0.0
        return (
            grade,
            -round(100 * float(score.reach.mean())),
            -(score.coverage if isfinite(score.coverage) else 0.0),
            slow,
        )

    ranked = sorted(scores, key=merit)
    together: tuple[str, ...] = (ranked[0].name,)
    best = float(ranked[0].reach.mean())
    for one, two in combinations(ranked, 2):
        share = float((one.reach | two.reach).mean())
        if share > best + PAIR_GAIN:
            best, together = share, (one.name, two.name)
    everything = np.logical_or.reduce([score.reach for score in ranked])
    return SweepRank(
        tuple(score.name for score in ranked),
        tuple(float(score.reach.mean()) for score in ranked),
        together,
        best,
        float(everything.mean()),
        find_holes(everything),
    )


def tell_rank(rank: SweepRank) -> Finding:
    """Say which sweep is best, and whether two together light what one does not."""
    shares = ", ".join(f"{name} {100 * share:.1f} %" for name, share in zip(rank.order, rank.reach, strict=True))
    figures = (
        Figure("reached by the best pair", 100 * rank.together_share, "%", 1),
        Figure("reached by all", 100 * rank.all_share, "%", 1),
    )
    grade = _grade(rank.all_share, REACH_SHARE)
    says = f"Best first, by reach: {shares}"
    if len(rank.together) == 2:
        says += f"; {rank.together[0]} and {rank.together[1]} together reach {100 * rank.together_share:.1f} %"
    else:
        says += f"; no second sweep adds a percent to {rank.order[0]}"
    remedy = ""
    if grade != "good" and rank.holes:
        remedy = f"None lights {', '.join(hole.where for hole in rank.holes[:4])}: one more pass there."
    return Finding("sweep", grade, f"{says}.", remedy, figures)
