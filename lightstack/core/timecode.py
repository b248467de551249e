"""Timecode as frame counts, and where it breaks.

References
----------
SMPTE ST 12-1:2014, 5.2: drop-frame timecode leaves out numbers 0 and 1 of each minute but each tenth.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from fractions import Fraction

__all__ = ["count_timecode", "find_timecode_breaks"]


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

    Frames without a timecode, or with one that cannot be, are passed over.
    """
    if not rate:
        return ()
    breaks = []
    last: tuple[int, int] | None = None
    a_day = round(float(rate)) * 86_400
    for k, timecode in enumerate(timecodes):
        count = None if timecode is None else count_timecode(timecode, rate)
        if count is None:
            continue
        if last is not None:
            jump = count - last[1] - (k - last[0])
            if jump and abs(jump) < a_day - 10:  # midnight begins anew
                breaks.append((k, jump))
        last = (k, count)
    return tuple(breaks)
