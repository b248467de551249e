"""Lists that are typed as one word: ``34,80,2:34``, ``1-20,57``, ``1.1,1,0.9``."""

from __future__ import annotations

import math
import re

from lightstack.errors import SettingError

__all__ = ["read_corners", "read_frames", "read_numbers", "read_ranges", "read_share"]

Frame = int | str
FARTHEST = 1e6  # pixels
_FRAME = re.compile(r"^(0{0,3}[1-9][0-9]{0,5}:)?[0-9]{1,8}\Z")


def read_frames(text: str | None, *, option: str = "--keys") -> tuple[Frame, ...]:
    """Read source frames such as ``34,80,2:34``. Raises SettingError."""
    return tuple(_read_frame(word, option) for word in _split(text))


def read_ranges(text: str | None, *, option: str = "--exclude") -> tuple[tuple[Frame, Frame], ...]:
    """Read source frames and inclusive ranges such as ``1-20,57,2:3-2:9``. Raises SettingError."""
    ranges = []
    for word in _split(text):
        first, dash, last = word.partition("-")
        start = _read_frame(first.strip(), option)
        end = _read_frame(last.strip(), option) if dash else start
        if _place(end) < _place(start):
            raise SettingError(f"{option} {word}: runs backwards; write the first frame first")
        ranges.append((start, end))
    return tuple(ranges)


def read_numbers(text: str | None, *, option: str) -> tuple[float, float, float] | None:
    """Read three numbers such as ``1.1,1,0.9``. Raises SettingError."""
    if text is None:
        return None
    try:
        red, green, blue = (float(word) for word in text.split(","))
        if not all(map(math.isfinite, (red, green, blue))):
            raise ValueError
    except ValueError:
        raise SettingError(f"{option} {text}: expected three numbers such as 1.1,1,0.9") from None
    return red, green, blue


def read_corners(text: str, *, option: str) -> tuple[tuple[float, float], ...]:
    """Read a polygon's corners such as ``0,120 60,120 60,360``. Raises SettingError."""
    corners = []
    for word in text.split():
        try:
            x, y = (float(part) for part in word.split(","))
            if not max(abs(x), abs(y)) < FARTHEST:
                raise ValueError
        except ValueError:
            raise SettingError(f'{option} "{text}": expected corners such as "0,120 60,120 60,360"') from None
        corners.append((x, y))
    if len(corners) < 3:
        raise SettingError(f'{option} "{text}": a polygon has at least three corners, such as "0,120 60,120 60,360"')
    return tuple(corners)


def read_share(value: float, *, option: str, low: float = 0, high: float) -> float:
    """Return a number within limits. Raises SettingError for any other, and for what is no number."""
    if not low <= value <= high:  # so that "nan" fails too
        raise SettingError(f"{option} {value:g}: expected a number from {low:g} to {high:g}")
    return value


def _place(frame: Frame) -> tuple[int, int]:
    """Return file (0 where none is named) and frame, in the order of a take."""
    file, _, number = str(frame).rpartition(":")
    return int(file or 0), int(number)


def _split(text: str | None) -> list[str]:
    return [word.strip() for word in text.split(",")] if text is not None else []


def _read_frame(word: str, option: str) -> Frame:
    if not _FRAME.match(word):
        raise SettingError(f"{option} {word}: is not a frame; write 34, or 2:34 for frame 34 of the second file")
    return word if ":" in word else int(word)
