"""Which frames of a take to look at when there is no time to look at all of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["count_decoded", "plan_samples", "space_evenly", "widest_gap"]


def space_evenly(first: int, last: int, count: int) -> tuple[int, ...]:
    """Return at most ``count`` distinct frames, evenly spaced from ``first`` to ``last`` inclusive."""
    wanted = np.linspace(first, last, max(1, min(count, last - first + 1)))
    return tuple(int(frame) for frame in np.unique(np.rint(wanted)))


def plan_samples(
    first: int, last: int, count: int, *, sync: Sequence[int] | None = None, budget: int | None = None
) -> tuple[int, ...]:
    """Choose evenly spaced frames so that no more than ``budget`` frames must be decoded to get at them.

    Parameters
    ----------
    first, last : the range to look at, inclusive.
    count : how many frames are wanted.
    sync : ascending frames at which decoding can begin; None = at every frame. Frames before the first of them
        are reached from ``first``.
    budget : most frames to decode, run-in included; None = no limit. Each sync frame that is visited costs one.

    Returns
    -------
    Ascending distinct frames, at least one.

    Notes: where the evenly spaced frames cost too much, each moves towards the sync frame before it, all by the same
    share of its distance, until the cost fits. With sync frames far apart the samples then lie in bunches.
    """
    even = np.array(space_evenly(first, last, count))
    starts = np.array([first]) if sync is None else np.unique([first, *(s for s in sync if first < s <= last)])
    if sync is None or budget is None or count_decoded(even, starts) <= budget:
        return tuple(int(frame) for frame in even)
    begin = starts[np.searchsorted(starts, even, side="right") - 1]
    chosen = np.unique(begin)
    for share in np.linspace(0, 1, 65)[1:]:
        closer = np.unique(begin + np.floor((even - begin) * share).astype(int))
        if count_decoded(closer, starts) > budget:
            break
        chosen = closer
    if len(chosen) > budget:  # more sync frames were visited than may be decoded at all
        chosen = chosen[np.array(space_evenly(0, len(chosen) - 1, max(1, budget)))]
    return tuple(int(frame) for frame in chosen)


def widest_gap(seconds: NDArray[np.floating], lit: NDArray[np.bool_]) -> float:
    """Return the longest time (s) between neighbouring frames looked at while the lamp was on; 0 where no times are.

    ``seconds``, ``lit``: ``(n,)``, of the frames looked at.
    """
    steps = np.diff(np.asarray(seconds, np.float64))
    steps = steps[(lit[1:] | lit[:-1]) & np.isfinite(steps)]
    return float(steps.max(initial=0.0))


def count_decoded(frames: NDArray[np.integer] | Sequence[int], starts: NDArray[np.integer] | Sequence[int]) -> int:
    """Count the frames that must be decoded to get at ascending ``frames`` from the ascending ``starts``."""
    total, position = 0, None
    for frame in np.asarray(frames):
        begin = int(starts[int(np.searchsorted(starts, frame, side="right")) - 1])
        if position is not None and position >= begin:
            begin = position + 1
        total += int(frame) - begin + 1
        position = int(frame)
    return total
