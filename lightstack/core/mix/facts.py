"""What a mix does, in numbers: its peak, its steepest change, its sum, and how often it rises and falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import MixCurve

__all__ = ["MOST_SWINGS", "SWING", "MixFacts", "find_turns", "measure_mix"]

# WCAG 2, success criterion 2.3.1: more than three flashes in any one second. A flash is a pair of opposing changes of
# 10 % or more of full white; here of the light's own peak, since how bright the picture gets is not known yet.
SWING = 0.1
MOST_SWINGS = 3.0
# Chosen by us: steps in stops are counted down to this share of the peak. Below it nobody sees the light any more, and
# the last step to nothing would have no number of stops.
FAINT = 2.0**-8


@dataclass(frozen=True, slots=True)
class MixFacts:
    """Figures of one mix. A change at frame f is the one from f to f + 1; None where there is none.

    ``total``: sum of gain times frames. ``swings``: rises and falls, counted in pairs, per second in the mean;
    ``most_swings``: in the worst second.
    """

    peak: float
    peak_frame: int
    steepest_gain: float
    steepest_gain_frame: int | None
    steepest_stops: float | None
    steepest_stops_frame: int | None
    total: float
    swings: float
    most_swings: float


def measure_mix(mix: MixCurve, rate: float) -> MixFacts:
    """Return the figures of a mix at ``rate`` frames per second."""
    gains, first = np.asarray(mix.gains, np.float64), mix.first_frame
    top = int(np.argmax(gains))
    steps = np.diff(gains)
    steep = int(np.argmax(np.abs(steps))) if np.any(steps) else None
    stops = _step_stops(gains)
    steep_stops = int(np.nanargmax(np.abs(stops))) if np.any(np.nan_to_num(stops)) else None
    turns = find_turns(gains, SWING * float(gains[top]))
    return MixFacts(
        peak=float(gains[top]),
        peak_frame=first + top,
        steepest_gain=0.0 if steep is None else float(steps[steep]),
        steepest_gain_frame=None if steep is None else first + steep,
        steepest_stops=None if steep_stops is None else float(stops[steep_stops]),
        steepest_stops_frame=None if steep_stops is None else first + steep_stops,
        total=float(gains.sum()),
        swings=len(turns) / 2 / (len(gains) / rate),
        most_swings=_count_most(turns, rate) / 2,
    )


def _step_stops(gains: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the change from each frame to the next in stops; NaN where either is too faint to count."""
    seen = gains >= max(FAINT * float(gains.max(initial=0.0)), np.finfo(np.float64).tiny)
    stops = np.log2(np.where(seen, gains, np.nan))
    return np.diff(stops)


def find_turns(gains: NDArray[np.float64], least: float) -> list[int]:
    """Return the frames, counted from 0, at which a change of at least ``least`` is complete.

    Rises and falls alternate. Smaller changes on the way count for nothing: a rise goes on until the mix has
    fallen by ``least``.
    """
    turns: list[int] = []
    if not least > 0 or not len(gains):
        return turns
    low = high = float(gains[0])  # the extremes since the last turn
    rising = falling = False
    for frame, gain in enumerate(gains.tolist()):
        low, high = min(low, gain), max(high, gain)
        if not rising and gain - low >= least:
            rising, falling = True, False
        elif not falling and high - gain >= least:
            rising, falling = False, True
        else:
            continue
        low = high = gain
        turns.append(frame)
    return turns


def _count_most(turns: list[int], rate: float) -> int:
    """Return the greatest number of changes that are complete within any one second."""
    places = np.asarray(turns, np.float64)
    ends = np.searchsorted(places, places + rate - 1e-9, side="left")
    return int((ends - np.arange(len(places))).max(initial=0))
