"""Is the footage linear after decoding? Told where still takes show the set by ambient, two lamps apart, and both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, permutations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.additivity import check_additivity, is_mended, measure_additivity, worst_error
from lightstack.core.colour.ceiling import holds_highlights
from lightstack.core.colour.measured import find_curve_of, name_curve
from lightstack.core.colour.response import LampSet, write_codes
from lightstack.files.read.response import ResponseNotes
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.rest import rest_of
from lightstack.records import Encoding, Finding, MeasuredResponse

MOST_TAKES = 8  # still takes among which a set is looked for
LIGHTS_SIGMA = 8.0  # of one frame's noise: light that counts as a lamp's
LIGHTS_SHARE = 0.05  # of the picture that each lamp must light
WORST_MISFIT = 0.5  # of the light: past it the pictures are no such set at all


@dataclass(frozen=True, slots=True)
class LampsJudged:
    """Whether light adds up, in which takes (ambient, one lamp, the other, both; none: not checked), and where it does
    not and one response mends it, that response."""

    finding: Finding
    names: tuple[str, ...] = ()
    response: MeasuredResponse | None = None
    notes: ResponseNotes | None = None


def judge_additivity(looked: Sequence[TakeLooked]) -> tuple[Finding, tuple[str, ...]]:
    """Judge whether light adds up, and name the takes (ambient, one lamp, the other, both); no names, not checked."""
    judged = judge_lamps(looked)
    return judged.finding, judged.names


def judge_lamps(looked: Sequence[TakeLooked], *, offer: str = "") -> LampsJudged:
    """Judge whether light adds up, and measure the response where it does not.

    ``offer``: what to do with a response, said in the finding where there is one.
    """
    still = [one for one in looked if one.rest is not None and one.look is None][:MOST_TAKES]
    found = find_lamp_set(still)
    if found is None:
        return LampsJudged(check_additivity(None))
    names, encoding = tuple(take.name for take in found), found[0].info.encoding
    measured = measure_additivity(
        gather_lamps(found), noise=found[0].proxies.noise_proxy, codes=rest_of(found[0]).codes
    )
    if not is_mended(measured) or measured.response is None or not is_coded_alike(found):
        return LampsJudged(check_additivity(measured), names)
    roles = dict(zip(("ambient", "one lamp", "the other lamp", "both lamps"), names, strict=True))
    notes = ResponseNotes(roles, name_curve(encoding), worst_error(measured)[0], measured.left)
    finding = check_additivity(measured, offer=offer)
    return LampsJudged(finding, names, write_codes(measured.response, encoding), notes)


def is_coded_alike(takes: Sequence[TakeLooked]) -> bool:
    """Tell whether takes were read by one curve, so that one response can replace it."""
    encodings = [replace(take.info.encoding, ceiling=1.0, assumed=()) for take in takes]
    first = encodings[0]
    coded = not first.is_float and first.ocio_space is None and find_curve_of(first) is not None
    return coded and all(encoding == first for encoding in encodings)


def gather_lamps(takes: Sequence[TakeLooked]) -> LampSet:
    """Return four takes (ambient, one lamp, the other, both) in the light that their codes stand for.

    Notes: a place that clips in a frame of any take is NaN in the picture of both lamps, and so is left out.
    """
    ambient, one, two, both = (see_own_light(take) for take in takes)
    clipped = np.any([np.asarray(take.proxies.clipped).any(axis=0) for take in takes], axis=0)
    shut = cv2.dilate(clipped.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    both = np.where(shut[..., None], np.float32(np.nan), both)
    ceiling = find_ceiling(takes[3].info.encoding, quick=takes[3].quick)
    return LampSet(ambient, one, two, both, averaged=min(take.rest_frames for take in takes), ceiling=ceiling)


def see_own_light(take: TakeLooked) -> NDArray[np.float32]:
    """Return a take's picture at rest in the primaries and the exposure that the camera recorded."""
    rest = np.asarray(take.rest, np.float32)
    return rest if take.own is None else np.asarray(rest @ take.own.T, np.float32)


def find_ceiling(encoding: Encoding, *, quick: bool) -> float:
    """Return the decoded light past which nothing is believed.

    Notes: a logarithmic take's clipping is found by its plateau, which a quick look does not search for.
    """
    curve = find_curve_of(encoding)
    if curve is None or encoding.is_float or encoding.ocio_space is not None:
        return 1.0
    light = float(curve.decode(np.array(encoding.ceiling if holds_highlights(encoding) else 1.0)))
    return min(light, 1.0) if quick else light


def find_lamp_set(
    still: Sequence[TakeLooked],
) -> tuple[TakeLooked, TakeLooked, TakeLooked, TakeLooked] | None:
    """Find ambient, one lamp, another lamp and both among takes that stand still; None where there are none.

    Notes: both lamps must light some of the picture each, and their sum must look like the fourth picture at all.
    """
    best, chosen = WORST_MISFIT, None
    for four in combinations(still, 4):
        if len({one.rest.shape for one in four if one.rest is not None}) > 1:
            continue
        for ambient, both in permutations(sorted(four, key=level_of), 2):
            one, two = (take for take in four if take is not ambient and take is not both)
            if not level_of(ambient) < min(level_of(one), level_of(two)) <= level_of(both):
                continue
            misfit = measure_misfit(ambient, one, two, both)
            if misfit < best:
                best, chosen = misfit, (ambient, one, two, both)
    return chosen


def level_of(one: TakeLooked) -> float:
    """Return the mean level of a take's picture at rest."""
    return float(np.mean(one.rest))  # type: ignore[arg-type]


def measure_misfit(ambient: TakeLooked, one: TakeLooked, two: TakeLooked, both: TakeLooked) -> float:
    """Return by what share the lamps' sum misses both, in the middle; infinite where a lamp lights next to nothing."""
    base, first, second, sum_of = (np.asarray(take.rest, np.float32) for take in (ambient, one, two, both))
    least = LIGHTS_SIGMA * ambient.proxies.noise_proxy.sigma(base)
    lit = [light_of(picture, base, least) for picture in (first, second)]
    if min(mask.mean() for mask in lit) < LIGHTS_SHARE:
        return float("inf")
    where = lit[0] | lit[1]
    light = (sum_of - base)[where]
    miss = (first + second - base - sum_of)[where]
    return float(np.median(np.abs(miss)) / max(float(np.median(np.abs(light))), 1e-9))


def light_of(picture: NDArray[np.float32], base: NDArray[np.float32], least: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return where a picture is lit beyond the ambient, (h, w) bool."""
    return np.asarray((picture - base > least).any(axis=2), bool)
