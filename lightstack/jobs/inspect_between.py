"""Takes held against each other: framing, the room's light, things that were moved; which sweeps go together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.between import Between, Moved, check_between, compare_takes
from lightstack.core.display import display_srgb
from lightstack.core.sampling import space_evenly
from lightstack.core.sweep_quality import SweepScore, rank_sweeps, tell_rank
from lightstack.jobs.inspect_lamps import judge_additivity
from lightstack.jobs.inspect_looked import TakeLooked
from lightstack.jobs.unlit import code_step
from lightstack.records import NOT_CHECKED, Finding, NoiseModel, PlaceView, TakeFindings

ASPECT_TOLERANCE = 0.005
OWN_LAMPS_STOPS = 0.25  # by which some places of a hero are brighter before lamps of its own are taken to be on
UNEVEN_STOPS = 0.25  # between dimmest and brightest places: daylight and exposure scale all places alike
BLOCKS, LEAST_BLOCKS = (18, 32), 20
LIVELY_FRAMES = 24
LIVELY_SIGMA = 8.0  # a hero's place that changes by this much holds somebody
LIVELY_SHARE = 0.1
CROP_RIM = 0.35  # of a place's size, shown round it
MOST_PLACES = 6
GREY = 0.18
COVER_LAMP = "Film three seconds with the lamp covered at the head and the tail."


def compare_all(
    looked: Sequence[TakeLooked], takes: Sequence[TakeFindings]
) -> tuple[tuple[TakeFindings, ...], tuple[str, ...]]:
    """Add to each take what it shows against the first that it must match, and rank the sweeps; notes come second."""
    known = [index for index, one in enumerate(looked) if one.rest is not None]
    out = list(takes)
    order = sorted(known, key=lambda index: rank_role(looked[index].role))
    adding, lamps = judge_additivity(looked)
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
    one, two = reference.rest, other.rest
    assert one is not None and two is not None
    if two.shape != one.shape:
        two = np.asarray(cv2.resize(two, one.shape[1::-1], interpolation=cv2.INTER_AREA), np.float32)
    between = compare_takes(
        one,
        two,
        noise=noise_of_means(reference, other),
        factor=reference.proxies.factor,
    )
    names = (reference.name, other.name)
    if lamps or lit_apart(reference, other):
        return tell_framing(between, names), ()
    if reference.role == "hero":
        lively = find_lively(reference)
        moved = tuple(thing for thing in between.moved if not is_lively(thing, lively, reference.proxies.factor))
        between = replace(between, moved=moved)
    return check_between(between, names=names), cut_places(between.moved, reference, one, two)


def noise_of_means(reference: TakeLooked, other: TakeLooked) -> NoiseModel:
    """Return the noise of the pictures at rest of two takes, whichever is the noisier.

    Notes: noise of frames averages out in a mean; what a codec does to a still picture is the same in all frames of a
    take and another in the next take, and does not. One code of either take is allowed for, at black and at mid grey.
    """
    takes = (reference, other)
    a = np.max([one.proxies.noise_proxy.a / one.rest_frames for one in takes], axis=0)
    b = np.max([one.proxies.noise_proxy.b / one.rest_frames for one in takes], axis=0)
    black = max(code_step(one.info.encoding) for one in takes) ** 2
    grey = max(code_step(one.info.encoding, GREY) for one in takes) ** 2
    return NoiseModel(a + max(0.0, grey - black) / GREY, b + black, reference.proxies.factor)


def lit_apart(reference: TakeLooked, other: TakeLooked) -> bool:
    """Tell whether two takes are lit differently on purpose: a hero or an empty take with lamps of its own on.

    Notes: a lamp lights some places more than others, while another exposure or daylight scales all alike.
    """
    roles = {reference.role, other.role}
    if not roles <= {"hero", "empty", "empty_lit", "sweep", "clean"}:
        return True
    if roles == {"hero", "empty_lit"} or not roles & {"hero", "empty_lit"}:
        return False
    lit, bare = (reference, other) if reference.role in ("hero", "empty_lit") else (other, reference)
    stops = compare_blocks(lit, bare)
    if len(stops) < LEAST_BLOCKS:
        return False
    low, middle, high = np.quantile(stops, (0.1, 0.5, 0.9))
    return bool(high > OWN_LAMPS_STOPS and high - low > UNEVEN_STOPS and middle > -UNEVEN_STOPS)


def compare_blocks(one: TakeLooked, two: TakeLooked) -> NDArray[np.float64]:
    """Return by how many stops the first take is brighter in each of 32 x 18 parts that both show above the noise."""
    assert one.rest is not None and two.rest is not None
    size = (BLOCKS[1], BLOCKS[0])
    levels = [cv2.resize(take.rest.mean(axis=2), size, interpolation=cv2.INTER_AREA) for take in (one, two)]  # type: ignore[union-attr]
    noise = noise_of_means(one, two)
    sure = np.minimum(*levels) > 4 * np.sqrt(np.max(noise.b))
    return np.asarray(np.log2(levels[0][sure] / levels[1][sure]), np.float64)


def tell_framing(between: Between, names: tuple[str, str]) -> Finding:
    """Judge the framing of two takes alone; their light differs on purpose, and a shadow is no thing that was moved."""
    found = check_between(replace(between, stops=np.full(3, nan), moved=()), names=names)
    if not between.pose.converged:
        return found
    framing = found.says.split("; too dark")[0].split("; the room")[0].rstrip(".")
    return replace(found, says=f"{framing}; lamps of its own light it, so light and things moved are not compared.")


def find_lively(one: TakeLooked) -> NDArray[np.bool_]:
    """Return where a take shows somebody moving (h, w): brightness that changes far beyond noise."""
    proxies = one.proxies
    frames = [np.asarray(proxies.rgb[k], np.float32) for k in space_evenly(0, len(proxies) - 1, LIVELY_FRAMES)]
    low, high = frames[0].copy(), frames[0].copy()
    for frame in frames[1:]:
        np.minimum(low, frame, out=low)
        np.maximum(high, frame, out=high)
    sigma = proxies.noise_proxy.sigma(0.5 * (low + high)) + 0.03 * np.maximum(high, 0)
    return np.asarray(((high - low) > LIVELY_SIGMA * sigma).any(axis=2), bool)


def is_lively(thing: Moved, lively: NDArray[np.bool_], factor: int) -> bool:
    """Tell whether a place is one in which somebody moves."""
    x0, y0, x1, y1 = (round(side / factor) for side in thing.box)
    inside = lively[max(y0, 0) : max(y1, y0 + 1), max(x0, 0) : max(x1, x0 + 1)]
    return bool(inside.size and inside.mean() > LIVELY_SHARE)


def cut_places(
    moved: Sequence[Moved], reference: TakeLooked, one: NDArray[np.float32], two: NDArray[np.float32]
) -> tuple[PlaceView, ...]:
    """Cut places out of both pictures, brightened alike."""
    level = float(np.quantile(one.mean(axis=2), 0.8))
    stops = float(np.clip(np.log2(0.35 / max(level, 1e-4)), 0, 6))
    shown = [display_srgb(picture, reference.primaries, exposure_stops=stops) for picture in (one, two)]
    factor, (height, width) = reference.proxies.factor, one.shape[:2]
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
