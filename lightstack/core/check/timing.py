"""Time in a take: uneven rates, repeated and missing frames, breaks of the timecode."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.frame_rate import usual_step
from lightstack.core.check.skips import find_skips
from lightstack.core.timecode import find_timecode_breaks
from lightstack.records import NOT_CHECKED, BoolArray, Figure, Finding, FloatArray, FrameSpan

__all__ = [
    "Timing",
    "check_timing",
    "measure_timing",
]

UNEVEN_SECONDS, UNEVEN_SHARE = 0.0012, 0.03  # a container that counts milliseconds rounds by one; the rest is real
UNEVEN_STEPS = 0.01  # of the steps, from which on a rate counts as variable
SAME_RATE, ROUNDED_SECONDS = 2e-4, 0.001
GAP = 1.5  # steps, from which on a gap has lost frames
STILL_SHARE = 0.2  # of the usual change: a frame that changes so little is the one before, coded again
EVEN_CHANGE = (0.25, 0.5)  # least over most change round a repeat that is exact, that was coded again
MOSTLY_REPEATS = 0.3  # of the frames: no stumble any more
# Where "good" ends and "reshoot" begins: share of the frames repeated or missing in a take that is laid in time. Common
# practice of the trade: one stumble may be cut round, more are seen as stutter.
STUMBLES = (0.0, 0.02)
STUMBLES_UNTIMED = (0.005, 0.25)  # a sweep or an empty take: only light is lost


@dataclass(frozen=True, slots=True)
class Timing:
    """What was found; frames are indices.

    ``gaps``, ``skips``: (frame after the gap, frames lost), by time stamps and by motion. ``cadence``: every so
    many frames one repeats, 0 none. ``spread_seconds``: from the usual step, 99 of 100 steps lie within.
    ``breaks``: of the timecode, ``joins``: those where another file begins: (frame, numbers left out, negative: it
    goes back). ``idle``: frames that equal the one before because nothing moves and no noise lives in the take.
    """

    step_seconds: float
    spread_seconds: float
    uneven_share: float
    repeats: NDArray[np.int64]
    cadence: int
    gaps: tuple[tuple[int, int], ...]
    skips: tuple[tuple[int, int], ...] = ()
    breaks: tuple[tuple[int, int], ...] = ()
    backwards: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    joins: tuple[tuple[int, int], ...] = ()
    idle: int = 0

    @property
    def lost(self) -> int:
        """Frames missing by time stamps, by the timecode, or by motion, counted once."""
        jumps = dict(self.gaps)
        jumps |= {at: count for at, count in self.breaks if count > 0 and at not in jumps}
        jumps |= {at: count for at, count in self.skips if at not in jumps}
        return sum(jumps.values())


def measure_timing(
    seconds: FloatArray,
    duplicate: BoolArray,
    *,
    rate: float | Fraction | None = None,
    timecodes: Sequence[str | None] | None = None,
    change: FloatArray | None = None,
    moving: FloatArray | None = None,
    joins: Sequence[int] = (),
    noiseless: bool = False,
) -> Timing:
    """Measure a take's timing; the parameters are those of ``check_timing``."""
    step, spread, uneven, gaps, backwards = _measure_steps(np.asarray(seconds, np.float64), rate, joins)
    breaks = find_timecode_breaks(timecodes, rate) if timecodes else ()
    repeats = np.asarray(duplicate, bool).copy()
    repeats[:1] = False
    if change is not None:
        repeats |= find_near_repeats(change)
        if repeats.mean() < MOSTLY_REPEATS or noiseless:
            repeats &= _find_lively(np.asarray(change, np.float64), repeats, exact=np.asarray(duplicate, bool))
    skips = () if moving is None else find_skips(moving, repeats)
    return Timing(
        step_seconds=step,
        spread_seconds=spread,
        uneven_share=uneven,
        repeats=np.flatnonzero(repeats),
        cadence=_find_cadence(repeats),
        gaps=gaps,
        skips=skips,
        breaks=tuple(at for at in breaks if at[0] not in joins),
        backwards=backwards,
        joins=tuple(at for at in breaks if at[0] in joins),
        idle=int((np.asarray(duplicate, bool)[1:] & ~repeats[1:]).sum()) if noiseless else 0,
    )


def _measure_steps(
    seconds: NDArray[np.float64], rate: float | Fraction | None, joins: Sequence[int]
) -> tuple[float, float, float, tuple[tuple[int, int], ...], NDArray[np.int64]]:
    nominal = 1 / float(rate) if rate else np.nan
    steps = np.diff(seconds)
    steps[[k - 1 for k in joins if 0 < k <= len(steps)]] = np.nan  # each file has a clock of its own
    known = np.isfinite(steps)
    if known.sum() < 2:
        return nominal, 0.0, 0.0, (), np.zeros(0, np.int64)
    usual = float(np.median(steps[known]))
    usual = usual_step(seconds) if usual > 0 else usual
    backwards = np.flatnonzero(known & (steps <= 0)) + 1
    if usual <= 0:
        return nominal, 0.0, 0.0, (), backwards
    lost = np.where(known, np.rint(steps / usual) - 1, 0)
    # a gap counts where the steps fit the beat otherwise; a rate that wanders has no beat to lose frames of
    off = np.abs(steps - (lost + 1) * usual)
    limit = max(UNEVEN_SECONDS, UNEVEN_SHARE * usual)
    uneven = float(np.mean(off[known] > limit))
    spread = float(np.quantile(off[known], 0.99))
    fits = known & (steps > GAP * usual) & (off <= max(limit, 0.1 * usual))
    gaps = tuple((int(k) + 1, int(lost[k])) for k in np.flatnonzero(fits)) if uneven < 0.2 else ()
    return usual, spread, uneven, gaps, backwards


def find_near_repeats(change: FloatArray) -> BoolArray:
    """Say which frames are the one before, coded again: (n,) bool from the change against the frame before.

    Notes: alone among frames that change; a codec that lets still pictures stand changes little everywhere.
    """
    change = np.asarray(change, np.float64)
    n = len(change)
    out = np.zeros(n, bool)
    for k in range(1, n):
        around = np.r_[change[max(1, k - 4) : k], change[k + 1 : k + 5]]
        around = around[np.isfinite(around)]
        if len(around) >= 3:
            out[k] = change[k] < STILL_SHARE * np.min(around) and np.min(around) > 0
    return out


def _find_lively(change: NDArray[np.float64], repeats: BoolArray, *, exact: BoolArray) -> BoolArray:
    """Say around which frames the take changes evenly, (n,) bool: the two changing frames before and after agree.

    Notes: where a codec lets a still picture stand, what little changes does so by fits and starts.
    """
    out = np.ones(len(change), bool)
    live = np.flatnonzero(~repeats & np.isfinite(change) & (np.arange(len(change)) > 0))
    for k in np.flatnonzero(repeats):
        at = int(np.searchsorted(live, k))
        around = change[live[max(0, at - 2) : at + 2]]
        out[k] = at >= 2 and len(live) - at >= 2 and around.min() > EVEN_CHANGE[int(not exact[k])] * around.max()
    return out


def _find_cadence(repeats: BoolArray) -> int:
    """Every how many frames one repeats, where that is regular: 24 frames a second in 30 make 5; 0 otherwise."""
    places = np.flatnonzero(repeats)
    if len(places) < 4:
        return 0
    steps = np.diff(places)
    usual = int(np.median(steps))
    return usual if usual > 1 and np.mean(steps == usual) > 0.8 else 0


# --- the finding -------------------------------------------------------------------------------------


def check_timing(
    seconds: FloatArray,
    duplicate: BoolArray,
    *,
    rate: float | Fraction | None,
    timecodes: Sequence[str | None] | None = None,
    change: FloatArray | None = None,
    moving: FloatArray | None = None,
    frames: NDArray[np.integer] | None = None,
    timed: bool = True,
    joins: Sequence[int] = (),
    noiseless: bool = False,
) -> Finding:
    """Judge a take's timing.

    Parameters
    ----------
    seconds : (n,) time stamps, NaN unknown.
    duplicate : (n,) whether a frame equals the one before, bit for bit.
    rate : frames a second as declared, None unknown.
    timecodes : one per frame, where the footage holds them frame by frame.
    change : (n,) change against the frame before in any unit (``FrameTable.change_sigma``): finds repeats that were
        coded again.
    moving : (n, places, 3) small pictures (``gather_moving``): finds missing frames by what moves.
    frames : (n,) source frames, counted from 1 if None.
    timed : whether the take is laid in time (a hero); a sweep or an empty take only loses light.
    joins : indices at which a further file of the take begins.
    noiseless : whether no noise lives in the take (``is_noiseless``): frames between which nothing moves are equal.
    """
    n = len(seconds)
    if n < 3:
        return Finding("timing", NOT_CHECKED, f"{n} frames are too few to tell their timing.")
    numbers = np.arange(1, n + 1) if frames is None else np.asarray(frames)
    found = measure_timing(
        seconds,
        duplicate,
        rate=rate,
        timecodes=timecodes,
        change=change,
        moving=moving,
        joins=joins,
        noiseless=noiseless,
    )
    told: list[tuple[int, str, str]] = [
        *_judge_repeats(found, n, timed, noiseless=noiseless),
        *_say_idle(found, n),
        *_judge_lost(found, n, timed),
        *_judge_rate(found, timed),
        *_judge_breaks(found, numbers),
        *_judge_joins(found, numbers, timed),
    ]
    figures = _list_figures(found, n, rate)
    if not told:
        return Finding(
            "timing", "good", f"{n} frames at {_say_rate(found, rate)}, none repeated, none missing.", "", figures
        )
    level = max(t[0] for t in told)
    return Finding(
        "timing",
        ("good", "usable", "reshoot")[level],
        " ".join(t[1] for t in told),
        " ".join(dict.fromkeys(t[2] for t in told if t[2])),
        figures,
        _list_spans(found, numbers),
    )


def _list_figures(found: Timing, n: int, rate: float | Fraction | None) -> tuple[Figure, ...]:
    return (
        Figure("frame rate", _rate_to_show(found, n, rate), "fps", 3),
        Figure("uneven steps", 100 * found.uneven_share, "%", 1),
        Figure("spread of steps", 1000 * found.spread_seconds, "ms"),
        Figure("repeated frames", float(len(found.repeats)), "", 0),
        Figure("lost frames", float(found.lost), "", 0),
        Figure("timecode breaks", float(len(found.breaks)), "", 0),
    )


def _rate_to_show(found: Timing, n: int, rate: float | Fraction | None) -> float:
    """The stated rate where the time stamps agree with it, else theirs."""
    if not found.step_seconds > 0:
        return float(rate or 0)
    measured = 1 / found.step_seconds
    agrees = rate and abs(measured / float(rate) - 1) < max(SAME_RATE, 2 * ROUNDED_SECONDS * measured / n)
    return float(rate) if rate and agrees else measured


def _say_rate(found: Timing, rate: float | Fraction | None) -> str:
    fps = float(rate) if rate else 1 / found.step_seconds if found.step_seconds > 0 else 0
    return f"{fps:.3f}".rstrip("0").rstrip(".") + " fps" if fps else "no stated rate"


def _grade(share: float, timed: bool) -> int:
    good, bad = STUMBLES if timed else STUMBLES_UNTIMED
    return int(share > good) + int(share > bad)


def _say_idle(found: Timing, n: int) -> list[tuple[int, str, str]]:
    says = "nothing moves there, and no noise lives in the picture."
    return [(0, f"{found.idle} of {n} frames equal the one before: {says}", "")] if found.idle else []


def _judge_repeats(found: Timing, n: int, timed: bool, *, noiseless: bool) -> list[tuple[int, str, str]]:
    count = len(found.repeats)
    if not count:
        return []
    share = count / n
    if found.cadence:
        return [
            (
                1 if timed else 0,
                f"Every {_say_nth(found.cadence)} frame repeats the one before ({count} of {n}): "
                f"a slower rate was recorded as a faster one.",
                "Set the camera's sensor rate and recording rate alike." if timed else "",
            )
        ]
    if share > MOSTLY_REPEATS and not noiseless:
        return [
            (
                1,
                f"{count} of {n} frames equal the one before: nothing moves and no noise lives there, "
                "as in a still or behind a strong noise reduction.",
                "Turn the camera's noise reduction off and record at a higher bit rate.",
            )
        ]
    remedy = "Use a faster card and film the take again." if _grade(share, timed) else ""
    return [(_grade(share, timed), f"{_say(count, 'frame')} of {n} repeat{'s' * (count == 1)} the one before.", remedy)]


def _judge_lost(found: Timing, n: int, timed: bool) -> list[tuple[int, str, str]]:
    if not found.lost:
        return []
    level = _grade(found.lost / n, timed)
    places = len({*(k for k, _ in found.gaps), *(k for k, c in found.breaks if c > 0), *(k for k, _ in found.skips)})
    how = "time stamps" if found.gaps else "timecode" if any(c > 0 for _, c in found.breaks) else "motion"
    says = f"{_say(found.lost, 'frame')} missing at {_say(places, 'place')} ({how})."
    return [(level, says, "Use a faster card or a lower bit rate and film the take again." if level else "")]


def _judge_rate(found: Timing, timed: bool) -> list[tuple[int, str, str]]:
    if len(found.backwards):
        says = (
            f"{_say(len(found.backwards), 'time stamp')} {'do' if len(found.backwards) > 1 else 'does'} not go forward."
        )
        return [(1, says, "Copy the file again from the card.")]
    if found.uneven_share <= UNEVEN_STEPS:
        return []
    says = (
        f"The frame rate varies: {100 * found.uneven_share:.0f} % of the steps are off "
        f"{1000 * found.step_seconds:.1f} ms, by up to {1000 * found.spread_seconds:.1f} ms."
    )
    return [(1 if timed else 0, says, "Set the camera to a constant frame rate." if timed else "")]


def _judge_breaks(found: Timing, numbers: NDArray) -> list[tuple[int, str, str]]:
    back = [(k, c) for k, c in found.breaks if c < 0]
    if not back:
        return []
    return [
        (
            1,
            f"The timecode goes back or stands at {_say(len(back), 'place')}, "
            f"first at frame {int(numbers[back[0][0]])}.",
            "Record the take in one go, with the timecode running free.",
        )
    ]


def _judge_joins(found: Timing, numbers: NDArray, timed: bool) -> list[tuple[int, str, str]]:
    """What the timecode does where another file begins: another recording for a sweep, a hole for a take in time."""
    if not found.joins:
        return []
    at, jump = found.joins[0]
    says = (
        f"The timecode {'jumps' if jump > 0 else 'goes back'} by {_say(abs(jump), 'frame')} at frame "
        f"{int(numbers[at])}, where another file begins"
        + (f", and at {_say(len(found.joins) - 1, 'more file')}." if len(found.joins) > 1 else ".")
    )
    remedy = "Name the files in the order in which they were filmed, all of one recording."
    return [(1, says, remedy)] if timed else [(0, says, "")]


def _list_spans(found: Timing, numbers: NDArray) -> tuple[FrameSpan, ...]:
    places = {*map(int, found.repeats), *map(int, found.backwards)}
    places |= {k for k, _ in (*found.gaps, *found.skips, *found.breaks, *found.joins)}
    spans: list[list[int]] = []
    for k in sorted(places):
        number = int(numbers[k])
        if spans and number == spans[-1][1] + 1:
            spans[-1][1] = number
        else:
            spans.append([number, number])
    return tuple((a, b) for a, b in spans)


def _say(count: int, thing: str) -> str:
    return f"{count} {thing}{'s' * (count != 1)}"


def _say_nth(count: int) -> str:
    return {2: "second", 3: "third", 4: "fourth", 5: "fifth"}.get(count, f"{count}th")
