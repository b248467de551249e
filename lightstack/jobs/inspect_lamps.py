"""Is the footage linear after decoding? Told where still takes show the set by ambient, two lamps apart, and both."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.additivity import check_additivity, measure_additivity
from lightstack.core.response import LampSet
from lightstack.jobs.inspect_looked import TakeLooked
from lightstack.records import Finding

MOST_TAKES = 8  # still takes among which a set is looked for
LIGHTS_SIGMA = 8.0  # of one frame's noise: light that counts as a lamp's
LIGHTS_SHARE = 0.05  # of the picture that each lamp must light
WORST_MISFIT = 0.5  # of the light: past it the pictures are no such set at all


def judge_additivity(looked: Sequence[TakeLooked]) -> tuple[Finding, tuple[str, ...]]:
    """Judge whether light adds up, and name the takes (ambient, one lamp, the other, both); no names, not checked."""
    still = [one for one in looked if one.rest is not None and one.look is None][:MOST_TAKES]
    found = find_lamp_set(still)
    if found is None:
        return check_additivity(None), ()
    ambient, one, two, both = (np.asarray(take.rest, np.float32) for take in found)
    lamps = LampSet(ambient, one, two, both, averaged=min(take.rest_frames for take in found))
    noise = found[0].proxies.noise_proxy
    measured = measure_additivity(lamps, noise=noise)
    return check_additivity(measured), tuple(take.name for take in found)


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
