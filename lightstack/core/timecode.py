"""Timecode as frame counts, and where it breaks.

References
----------
SMPTE ST 12-1:2014, 5.2: drop-frame timecode leaves out numbers 0 and 1 of each minute but each tenth.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

__all__ = ["count_timecode", "find_timecode_breaks"]

FASTEST = 30  # frames a second that timecode numbers one by one
MOST_BREAKS = 0.5  # of the frames; more are no timecode that counts frames


def count_timecode(timecode: str, rate: float | Fraction) -> int | None:
    """Return the frame that a timecode names, counted from 00:00:00:00, or None where it names none.

    ``;`` (or ``.``) before the frames marks drop-frame counting, in which two numbers (four at 60 a second) are left
    out at the start of each minute but each tenth.
    """
    found = re.fullmatch(r"(\d{1,2}):(\d{2}):(\d{2})([:;.])(\d{2,3})", timecode.strip())
    if not found:
        return None
    hours, minutes, seconds, frames = (int(found[i]) for i in (1, 2, 3, 5))
    base = round(float(rate))
    if minutes > 59 or seconds > 59 or frames >= base:
        return None
    count = ((hours * 60 + minutes) * 60 + seconds) * base + frames
    if found[4] == ":":
        return count
    dropped = 2 * base // 30
    if frames < dropped and seconds == 0 and minutes % 10:
        return None  # a number that drop-frame counting leaves out
    whole = hours * 60 + minutes
    return count - dropped * (whole - whole // 10)


def find_timecode_breaks(timecodes: Sequence[str | None], rate: float | Fraction | None) -> tuple[tuple[int, int], ...]:
    """Find where the timecode does not go on by one: (index, frames left out; negative: it goes back or stands).

    Frames without a timecode, or with one that cannot be, are passed over. Nothing is told where the numbers do not
    count frames: one and the same in every header, or a break at most of them.

    Notes: fast footage may number pairs of frames (ST 12-1, 12); a rate that does not fit the numbers, or none, gives
    way to the one that the numbers themselves show.
    """
    base, pairs = _find_base(timecodes, rate)
    if not base:
        return ()
    counts = [None if timecode is None else count_timecode(timecode, base) for timecode in timecodes]
    known = [(k, count) for k, count in enumerate(counts) if count is not None]
    if len({count for _, count in known}) < 2:
        return ()
    breaks = []
    a_day = base * 86_400
    for (before, last), (k, count) in pairwise(known):
        jump = pairs * (count - last) - (k - before)
        if abs(jump) >= pairs and abs(jump) < pairs * (a_day - 10):  # midnight begins anew
            breaks.append((k, jump))
    return tuple(breaks) if len(breaks) <= MOST_BREAKS * len(known) or len(known) < 3 else ()


def _find_base(timecodes: Sequence[str | None], rate: float | Fraction | None) -> tuple[int, int]:
    """Frames that the timecode counts a second, 0 unknown, and how many pictures share a number."""
    told = round(float(rate)) if rate else 0
    numbers = [n for timecode in timecodes if (n := _frame_number(timecode)) is not None]
    if not numbers:
        return told, 1
    highest = max(numbers)
    if told > FASTEST:  # numbers that never pass the half, in more than a second, count pairs
        return (told // 2, 2) if highest < told // 2 and len(numbers) > told // 2 else (told, 1)
    if told > highest:
        return told, 1
    rolls = [a + 1 for a, b in pairwise(numbers) if b == 0 and a > 0]
    return (max(set(rolls), key=rolls.count) if rolls else max(highest + 1, 24)), 1


def _frame_number(timecode: str | None) -> int | None:
    found = re.fullmatch(r"\d{1,2}:\d{2}:\d{2}[:;.](\d{2,3})", (timecode or "").strip())
    return int(found[1]) if found else None
