"""The frame rate behind time stamps that a container has rounded, as the exact fraction that the trade names.

References
----------
SMPTE ST 2036-1 and ST 274 (from memory): picture rates are whole numbers, or whole numbers times 1000 / 1001.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["count_steps", "find_rate", "fit_step", "name_rate", "usual_step"]

HIGHEST = 240  # frames a second, up to which whole numbers are looked through
SURE = 3.0  # standard errors within which a rate can be one that has a name
LEAST_ERROR = 2e-5  # of the rate: clocks of cameras stray so far
EVEN_SHARE = 0.1  # of a step, that time stamps may lie off the beat where the container did not round them
LIKELY = 2e-4  # of the rate, within which a container's own average is taken for a rate that has a name


def usual_step(times: ArrayLike) -> float:
    """Return the step between time stamps (n,), NaN where none go forward.

    Notes: the middle of steps that a container has rounded is one of them; the mean of those beside it is the step.
    """
    steps = np.diff(np.asarray(times, np.float64))
    forward = steps[np.isfinite(steps) & (steps > 0)]
    if not len(forward):
        return float("nan")
    middle = float(np.median(forward))
    return float(forward[np.abs(forward - middle) < 0.5 * middle].mean())


def count_steps(times: ArrayLike) -> NDArray[np.int64]:
    """Number time stamps (n,) by the usual step from the first: 0, 1, 2, 4 where one frame is missing after the third.

    Notes: a stamp that is unknown, or does not go forward, counts as one step on.
    """
    steps = np.diff(np.asarray(times, np.float64))
    share = np.nan_to_num(steps / usual_step(times), nan=1.0)
    return np.r_[0, np.cumsum(np.maximum(np.rint(share), 1).astype(np.int64))]


def fit_step(times: ArrayLike) -> tuple[float, float, float]:
    """Return (step, its standard error, widest distance of a stamp from the beat) by least squares, in units of times.

    Gaps of whole steps are counted; NaN where fewer than two stamps are known. A time that goes back is no beat: its
    distance says so.
    """
    stamps = np.asarray(times, np.float64)
    counts = count_steps(stamps)
    known = np.isfinite(stamps)
    if known.sum() < 2:
        return float("nan"), float("nan"), float("nan")
    x, y = counts[known] - counts[known].mean(), stamps[known] - stamps[known].mean()
    step = float((x * y).sum() / (x**2).sum())
    off = y - step * x
    error = float(np.sqrt((off**2).sum() / max(known.sum() - 2, 1) / (x**2).sum()))
    return step, error, float(np.ptp(off))


def name_rate(rate: float | Fraction, tolerance: float) -> Fraction | None:
    """Return the rate that has a name, n or n 1000 / 1001, nearest to ``rate`` and within a share ``tolerance``."""
    value = float(rate)
    if not 0 < value <= HIGHEST * (1 + tolerance):
        return None
    whole = max(round(value), 1)
    above = max(round(value * 1.001), 1)
    near = min((Fraction(whole), Fraction(1000 * above, 1001)), key=lambda named: abs(float(named) / value - 1))
    return near if abs(float(near) / value - 1) <= tolerance else None


def _list_names(measured: float) -> list[Fraction]:
    """The rates around a measured one that have names."""
    if not 0 < measured < HIGHEST + 1:
        return []
    near = {max(round(measured), 1), max(round(measured * 1.001), 1)}
    return [Fraction(n) for n in near] + [Fraction(1000 * n, 1001) for n in near]


def _explains(rate: Fraction, times: Sequence[int], time_base: Fraction) -> bool:
    """Say whether an even rate, its times rounded to a container's ticks, gives these time stamps (ticks, ascending).

    Notes: whether they were rounded down or to the nearest, they lie within one tick of the beat; reckoned exactly.
    """
    beat = rate * time_base
    # a stamp's distance from the beat, in shares of a tick of which there are ``beat.numerator``
    off = [
        int(time) * beat.numerator - int(k) * beat.denominator
        for time, k in zip(times, count_steps(times), strict=True)
    ]
    return 1000 * (max(off) - min(off)) < 1001 * beat.numerator


def find_rate(times: Sequence[int], time_base: Fraction, *, said: Sequence[Fraction | None] = ()) -> Fraction | None:
    """Return the frame rate of a movie by its time stamps and by what the container says.

    Parameters
    ----------
    times : presentation times in ticks, ascending.
    time_base : seconds per tick.
    said : rates that the container states, the most trusted first.

    Notes
    -----
    Of the rates that explain every stamp the first that is stated and has a name is taken, then the nearest one that
    has a name: few stamps of whole milliseconds cannot tell 24 from 23.976. Where none explains them (a clock that
    strays, a rate that varies), the container's average stands unless a name lies next to it.
    """
    stated = [Fraction(rate) for rate in said if rate]
    average = stated[0] if stated else None
    if len(times) < 3 or times[-1] <= times[0]:
        return None if average is None else name_rate(average, LIKELY) or average
    step, error, off = fit_step(times)
    measured = 1 / (step * float(time_base)) if step > 0 else float("nan")
    tolerance = max(SURE * error / step, LEAST_ERROR) if step > 0 else 0.0
    named = [name for rate in stated if (name := name_rate(rate, LIKELY))]
    named += sorted(_list_names(measured), key=lambda name: abs(float(name) / measured - 1))
    for rate in dict.fromkeys(named):
        if _explains(rate, times, time_base):
            return rate
    if step > 0 and off <= max(EVEN_SHARE * step, 2.0):
        return name_rate(measured, tolerance) or next((r for r in stated if _explains(r, times, time_base)), average)
    return None if average is None else name_rate(average, LIKELY) or average
