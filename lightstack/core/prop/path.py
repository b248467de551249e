"""The way of a tossed thing, and which of several tries answers best to what was wished for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FloatArray

__all__ = ["RankedTry", "TryFacts", "measure_centre", "measure_speed", "rank_tries"]

MOSTLY = 0.5  # of the thing that must end inside
TOUCHES = 0.02  # of the thing that may lie over the figure on any frame


@dataclass(frozen=True, slots=True)
class TryFacts:
    """What was measured of one try.

    ``ends_inside`` 0..1 share of the thing inside the wished place on its last frame, None where none was wished;
    ``over_figure`` 0..1 the largest share that lies over the figure on any frame, None where not judged; ``width_px``
    of its edges (median); ``free_frames`` on which it is seen and no hand is; ``trouble``: why it is of no use, or "".
    """

    name: str
    ends_inside: float | None
    over_figure: float | None
    width_px: float
    free_frames: int
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class RankedTry:
    """A try's place (1 is best), its score 0..1, and why, in words."""

    name: str
    rank: int
    score: float
    reasons: tuple[str, ...]


def measure_centre(alpha: FloatArray) -> NDArray[np.float64]:
    """Return the middle of a matte, (2,) x and y in pixels, pixel centres at .5; NaN where it is empty."""
    mass = np.asarray(alpha, np.float64)
    total = mass.sum()
    if total <= 0:
        return np.full(2, np.nan)
    x = (mass.sum(axis=0) * (np.arange(mass.shape[1]) + 0.5)).sum() / total
    y = (mass.sum(axis=1) * (np.arange(mass.shape[0]) + 0.5)).sum() / total
    return np.array([x, y])


def measure_speed(centres: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return velocities (n, 2) in pixels a frame, from centres (n, 2) by central differences; 0 where unknown."""
    velocity = np.zeros_like(centres)
    for k in range(len(centres)):
        near = [j for j in (k - 1, k, k + 1) if 0 <= j < len(centres) and np.isfinite(centres[j]).all()]
        if len(near) > 1:
            velocity[k] = (centres[near[-1]] - centres[near[0]]) / (near[-1] - near[0])
    return velocity


def rank_tries(
    tries: Sequence[TryFacts], *, avoid_figure: bool = False, sharp: float = 1.0, free: float = 1.0
) -> list[RankedTry]:
    """Rank tries: what must be so comes first, then the weighted wishes.

    ``sharp``, ``free``: weights of sharp edges and of many frames without a hand, each against the best of the tries.
    Tries that are alike keep their order. A wish that could not be judged counts neither for nor against.
    """
    usable = [one for one in tries if not one.trouble]
    sharpest = min((one.width_px for one in usable if np.isfinite(one.width_px)), default=1.0)
    freest = max((one.free_frames for one in usable), default=1)
    judged = [judge_try(one, sharpest, freest, avoid_figure, sharp, free) for one in tries]
    order = sorted(range(len(tries)), key=lambda k: (bool(tries[k].trouble), judged[k][0], -judged[k][1], k))
    return [RankedTry(tries[k].name, place, judged[k][1], judged[k][2]) for place, k in enumerate(order, start=1)]


def judge_try(
    one: TryFacts, sharpest: float, freest: int, avoid_figure: bool, sharp: float, free: float
) -> tuple[int, float, tuple[str, ...]]:
    """Return how many demands a try fails, its score 0..1, and why."""
    if one.trouble:
        return 9, 0.0, (one.trouble,)
    failed, reasons = 0, []
    if one.ends_inside is not None:
        good = one.ends_inside >= MOSTLY
        failed += not good
        reasons.append(f"{'ends' if good else 'does not end'} inside ({one.ends_inside:.0%} of it)")
    if avoid_figure and one.over_figure is None:
        reasons.append("whether it crosses the figure was not judged: no hold-out")
    elif avoid_figure and one.over_figure is not None:
        good = one.over_figure <= TOUCHES
        failed += not good
        reasons.append("never crosses the figure" if good else f"crosses the figure ({one.over_figure:.0%} of it)")
    crisp = sharpest / one.width_px if np.isfinite(one.width_px) and one.width_px > 0 else 0.0
    alone = one.free_frames / max(1, freest)
    reasons.append(f"edges {one.width_px:.1f} px wide")
    reasons.append(f"no hand in shot on {one.free_frames} frames")
    total = sharp + free
    return failed, (sharp * crisp + free * alone) / total if total > 0 else 0.0, tuple(reasons)
