"""Lists that are typed as one word: ``34,80,2:34``, ``1-20,57``, ``1.1,1,0.9``."""

from __future__ import annotations

import re

from lightstack.errors import SettingError

__all__ = ["read_corners", "read_frames", "read_numbers", "read_ranges"]

Frame = int | str
_FRAME = re.compile(r"^(\d+:)?\d+$")


def read_frames(text: str | None, *, option: str = "--keys") -> tuple[Frame, ...]:
    """Read source frames such as ``34,80,2:34``. Raises SettingError."""
    return tuple(_read_frame(word, option) for word in _split(text))


def read_ranges(text: str | None, *, option: str = "--exclude") -> tuple[tuple[Frame, Frame], ...]:
    """Read source frames and inclusive ranges such as ``1-20,57,2:3-2:9``. Raises SettingError."""
    ranges = []
    for word in _split(text):
        first, dash, last = word.partition("-")
        start = _read_frame(first.strip(), option)
        ranges.append((start, _read_frame(last.strip(), option) if dash else start))
    return tuple(ranges)


def read_numbers(text: str | None, *, option: str) -> tuple[float, float, float] | None:
    """Read three numbers such as ``1.1,1,0.9``. Raises SettingError."""
    if text is None:
        return None
    try:
        red, green, blue = (float(word) for word in text.split(","))
    except ValueError:
        raise SettingError(f"{option} {text}: expected three numbers such as 1.1,1,0.9") from None
    return red, green, blue


def read_corners(text: str, *, option: str) -> tuple[tuple[float, float], ...]:
    """Read a polygon's corners such as ``0,120 60,120 60,360``. Raises SettingError."""
    corners = []
    for word in text.split():
        try:
            x, y = (float(part) for part in word.split(","))
        except ValueError:
            raise SettingError(f'{option} "{text}": expected corners such as "0,120 60,120 60,360"') from None
        corners.append((x, y))
    if len(corners) < 3:
        raise SettingError(f'{option} "{text}": a polygon has at least three corners, such as "0,120 60,120 60,360"')
    return tuple(corners)


def _split(text: str | None) -> list[str]:
    return [word.strip() for word in text.split(",")] if text is not None else []


def _read_frame(word: str, option: str) -> Frame:
    if not _FRAME.match(word):
        raise SettingError(f"{option} {word}: is not a frame; write 34, or 2:34 for frame 34 of the second file")
    return word if ":" in word else int(word)
