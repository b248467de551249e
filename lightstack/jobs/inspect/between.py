"""Takes held against each other: framing, the room's light, things that were moved; which sweeps go together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.between import Between, Moved, check_between, check_moved, compare_takes
from lightstack.core.check.sweep_quality import SweepScore, rank_sweeps, tell_rank
from lightstack.core.colour.display import display_srgb
from lightstack.jobs.inspect.lamps import LampsJudged, judge_lamps
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.rest import bring_together, is_lively, measure_own_lamps, rest_of, say_apart
from lightstack.records import NOT_CHECKED, Finding, PlaceView, RestPicture, TakeFindings

ASPECT_TOLERANCE = 0.005
CROP_RIM = 0.35  # of a place's size, shown round it
MOST_PLACES = 6
COVER_LAMP = "Film three seconds with the lamp covered at the head and the tail."


def compare_all(
    looked: Sequence[TakeLooked], takes: Sequence[TakeFindings], *, judged: LampsJudged | None = None
) -> tuple[tuple[TakeFindings, ...], tuple[str, ...]]:
    """Add to each take what it shows against the first that it must match, and rank the sweeps; notes come second.

    ``judged``: whether light adds up, where that is known.
    """
    known = [index for index, one in enumerate(looked) if one.rest is not None]
    out = list(takes)
    order = sorted(known, key=lambda index: rank_role(looked[index].role))
    judged = judged or judge_lamps(looked)
    adding, lamps = judged.finding, judged.names
    for index in order[1:]:
        look = looked[index].look
        if look is not None and not look.own_ambient:
            says = "The sweep shows no frame without the lamp that could be compared."
            out[index] = add_finding(out[index], Finding("between takes", NOT_CHECKED, says, COVER_LAMP), ())
            continue
        apart = bool({looked[order[0]].name, looked[index].name} & set(lamps))
        for reference in pick_references(looked, order, index, lamps=apart):
            finding, places = compare_pair(looked[reference], looked[index], lamps=apart)
            out[index] = add_finding(out[index], finding, places)
    if lamps:
        about = "ambient {}, one lamp {}, the other {}, both {}".format(*lamps)
        out.append(TakeFindings("lamps apart and together", "lamps", about, (adding,), np.zeros(0, np.int64)))
    elif order:
        out[order[0]] = add_finding(out[order[0]], adding, ())
    together = rank_all(looked, out[: len(looked)])
    if together is not None:
        out.append(together)
    return tuple(out), tuple(f"{one.name}: taken for {say_role(one)}" for one in looked if one.reason)


def pick_references(looked: Sequence[TakeLooked], order: Sequence[int], index: int, *, lamps: bool) -> list[int]:
    """Return which takes to hold a take against: the first of all, and for a sweep beside a hero that is lit by lamps
    of its own also the empty take."""
    first = order[0]
    empty = next((k for k in order if looked[k].role == "empty" and k != index), first)
    if lamps or looked[index].role != "sweep" or empty == first or not lit_apart(looked[first], looked[index]):
        return [first]
    return [first, empty]


def lit_apart(reference: TakeLooked, other: TakeLooked) -> bool:
    """Tell whether one of two takes is lit by lamps of its own."""
    return measure_own_lamps(rest_of(reference), rest_of(other)) > 0


def rank_role(role: str) -> int:
    """Return how fit a role is to hold others against; the hero first."""
    roles = ("hero", "empty", "empty_lit", "clean", "sweep")
    return roles.index(role) if role in roles else len(roles)


def say_role(one: TakeLooked) -> str:
    """Say a guessed role and why."""
    names = {"hero": "the hero", "sweep": "a sweep", "empty": "the empty take", "empty_lit": "the empty take, lit"}
    return f"{names.get(one.role, 'neither hero nor empty take nor sweep')}: {one.reason}"


def compare_pair(
    reference: TakeLooked, other: TakeLooked, *, lamps: bool = False
) -> tuple[Finding, tuple[PlaceView, ...]]:
    """Compare two takes by their pictures at rest; places are cut out of both. ``lamps``: lit apart on purpose."""
    sizes = [one.proxies.full_size for one in (reference, other)]
    if abs(sizes[0][1] / sizes[0][0] / (sizes[1][1] / sizes[1][0]) - 1) > ASPECT_TOLERANCE:
        says = f"{other.name} is {sizes[1][1]} x {sizes[1][0]}, {reference.name} is {sizes[0][1]} x {sizes[0][0]}."
        remedy = "Film all takes in one format, the camera the same way up."
        return Finding("between takes", "reshoot", says, remedy), ()
    rests = rest_of(reference), rest_of(other)
    between, pictures = compare_rests(*rests)
    names = (reference.name, other.name)
    apart = "lamps light one and not the other on purpose" if lamps else say_apart(*rests)
    if apart:
        return tell_framing(between, names, apart), ()
    return check_between(between, names=names), cut_places(between.moved, rests[0], *pictures)


def compare_rests(
    reference: RestPicture, other: RestPicture
) -> tuple[Between, tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """Compare two pictures at rest, and return both as they were compared; whoever moves in the reference is no thing
    that was moved."""
    one, two, noise = bring_together(reference, other)
    factor = reference.noise.scale
    between = compare_takes(one, two, noise=noise, factor=factor)
    if reference.lively is not None:
        still = tuple(thing for thing in between.moved if not is_lively(thing, reference.lively, factor))
        between = replace(between, moved=still)
    return between, (one, two)


def tell_framing(between: Between, names: tuple[str, str], apart: str) -> Finding:
    """Judge the framing of two takes alone; ``apart`` says why no more can be compared."""
    found = check_between(replace(between, stops=np.full(3, nan), moved=()), names=names)
    if not between.pose.converged:
        return found
    framing = found.says.split("; too dark")[0].split("; the room")[0].rstrip(".")
    return replace(found, says=f"{framing}; {apart}.")


def compare_with_hero(hero: RestPicture, other: TakeLooked) -> tuple[Finding, tuple[PlaceView, ...]]:
    """Tell what stands elsewhere in a take than in the hero that it was registered to; its framing is told by where it
    was put back from."""
    rest = rest_of(other)
    between, pictures = compare_rests(hero, rest)
    apart = say_apart(hero, rest)
    if apart or not between.pose.converged:
        why = apart or f"{other.name} cannot be matched to the hero"
        return Finding("between takes", NOT_CHECKED, f"{why[0].upper()}{why[1:]}."), ()
    finding = check_moved(between, names=(hero.name, other.name))
    return finding, cut_places(between.moved, hero, *pictures)


def cut_places(
    moved: Sequence[Moved], reference: RestPicture, one: NDArray[np.float32], two: NDArray[np.float32]
) -> tuple[PlaceView, ...]:
    """Cut places out of both pictures, brightened alike."""
    level = float(np.quantile(one.mean(axis=2), 0.8))
    stops = float(np.clip(np.log2(0.35 / max(level, 1e-4)), 0, 6))
    shown = [display_srgb(picture, reference.primaries, exposure_stops=stops) for picture in (one, two)]
    factor, (height, width) = reference.noise.scale, one.shape[:2]
    places = []
    for number, thing in enumerate(moved[:MOST_PLACES], start=1):
        x0, y0, x1, y1 = (side / factor for side in thing.box)
        rim = CROP_RIM * max(x1 - x0, y1 - y0) + 4
        left, top = max(0, int(x0 - rim)), max(0, int(y0 - rim))
        right, bottom = min(width, int(x1 + rim) + 1), min(height, int(y1 + rim) + 1)
        here, there = (np.ascontiguousarray(picture[top:bottom, left:right]) for picture in shown)
        places.append(PlaceView("between takes", number, here, there))
    return tuple(places)


def add_finding(take: TakeFindings, finding: Finding, places: Sequence[PlaceView]) -> TakeFindings:
    """Add a finding to a take; its places are numbered after those that the take has already."""
    before = sum(len(one.boxes) for one in take.findings)
    shifted = tuple(replace(place, number=place.number + before) for place in places)
    return replace(take, findings=(*take.findings, finding), places=(*take.places, *shifted))


def rank_all(looked: Sequence[TakeLooked], takes: Sequence[TakeFindings]) -> TakeFindings | None:
    """Rank the sweeps and say whether two together light what one does not; None for fewer than two."""
    pairs = [(one, take) for one, take in zip(looked, takes, strict=True) if one.reach is not None]
    if len(pairs) < 2:
        return None
    size = pairs[0][0].reach.shape  # type: ignore[union-attr]
    scores = []
    for one, take in pairs:
        assert one.reach is not None and one.table is not None
        reach = one.reach
        if reach.shape != size:
            reach = cv2.resize(reach.astype(np.uint8), size[::-1], interpolation=cv2.INTER_NEAREST) > 0
        smear = one.table.smear_px[one.table.lamp_on]
        middle = float(np.nanmedian(smear)) if np.isfinite(smear).any() else nan
        scores.append(SweepScore(one.name, np.asarray(reach, bool), one.coverage, middle, take.grade))
    finding = tell_rank(rank_sweeps(scores))
    return TakeFindings("the sweeps together", "sweeps", "", (finding,), np.zeros(0, np.int64))
