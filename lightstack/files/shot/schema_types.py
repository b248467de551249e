"""Values that the shot file is made of: rates, frame numbers, ranges, colours, points.

Each checker takes what TOML gave and returns the checked value or raises ``ValueError`` with a plain
sentence; ``files.shot.shot_errors`` turns the sentence into one line that names file, line and key.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, Any, NamedTuple

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer

MAX_FRAME = 10_000_000
MAX_NAME = 80
MAX_PLACE = 1e6  # pixels
MAX_STOPS = 30.0
_FILE_FRAME = re.compile(r"^([0-9]{1,9}):([0-9]{1,9})\Z")
_RATE = re.compile(r"^[0-9]{1,9}(/0{0,8}[1-9][0-9]{0,8})?\Z")
_NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]*\Z")  # `$` would let a line end in

SHAPES = ("hold", "linear", "smooth", "ease", "exponential")


class MixPoint(NamedTuple):
    """One point of a mix curve: shot frame, value (a number, or "off"), shape of the span after it."""

    frame: int
    value: float | str
    shape: str | None


def _is_int(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def is_number(value: object) -> bool:
    """Tell whether a value is a finite number."""
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number that no float holds
        return False


def is_name(value: str) -> bool:
    """Tell whether a text can be a name of the shot file."""
    return len(value) <= MAX_NAME and _NAME.match(value) is not None


def check_name(value: str) -> str:
    """Names go into file names, so letters, digits, ``.``, ``_`` and ``-`` only."""
    if not _NAME.match(value):
        raise ValueError("use letters, digits, '_', '-' and '.', because it goes into file names")
    return value


def check_text(value: str) -> str:
    """Words and paths: whatever can be part of a file's name on some system."""
    if "\0" in value:
        raise ValueError("holds a zero byte, which no file's name can")
    return value


def check_frame(value: object) -> int:
    """A frame number: a whole number >= 0."""
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= MAX_FRAME:
        raise ValueError(f"expected a frame number from 0 to {MAX_FRAME}")
    return value


def check_source_frame(value: object) -> int | str:
    """A source frame: 34, or "2:34" for frame 34 of the second file of a list."""
    if isinstance(value, str):
        match = _FILE_FRAME.match(value)
        if match and int(match[1]) >= 1 and int(match[2]) <= MAX_FRAME:
            return value
    elif _is_int(value):
        return check_frame(value)
    raise ValueError('expected a source frame such as 34, or "2:34" for frame 34 of the second file')


def split_source_frame(value: int | str) -> tuple[int | None, int]:
    """Split a source frame into file (1 = first; None where no file was named) and frame number."""
    if isinstance(value, int):
        return None, value
    file, frame = check_source_frame(value).split(":")  # type: ignore[union-attr]
    return int(file), int(frame)


def _in_order(first: int | str, last: int | str) -> bool:
    file_a, frame_a = split_source_frame(first)
    file_b, frame_b = split_source_frame(last)
    if (file_a is None) != (file_b is None):
        return False
    return ((file_a or 0), frame_a) <= ((file_b or 0), frame_b)


def check_source_range(value: object) -> tuple[int | str, int | str]:
    """Inclusive source frames ``[first, last]``."""
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise ValueError("expected [first, last]")
    first, last = check_source_frame(value[0]), check_source_frame(value[1])
    if not _in_order(first, last):
        raise ValueError(f"the range must run forwards, first to last, not {first} to {last}")
    return first, last


def check_range(value: object) -> tuple[int, int]:
    """Inclusive whole frame numbers ``[first, last]``."""
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise ValueError("expected [first, last]")
    first, last = check_frame(value[0]), check_frame(value[1])
    if first > last:
        raise ValueError(f"the range must run forwards, first to last, not {first} to {last}")
    return first, last


def check_exclusion(value: object) -> tuple[int | str, int | str]:
    """A source frame or a range of them, as a range."""
    if isinstance(value, (list, tuple)):
        return check_source_range(value)
    frame = check_source_frame(value)
    return frame, frame


def check_rate(value: object) -> Fraction:
    """An exact frame rate: 25 or "24000/1001"."""
    if isinstance(value, float):
        hint = min((24, 30, 48, 60, 120), key=lambda whole: abs(whole * 1000 / 1001 - value))
        raise ValueError(f'a rate is exact: write 25, or a fraction such as "{hint}000/1001"')
    rate = Fraction(0)
    if isinstance(value, Fraction):
        rate = value
    elif (isinstance(value, int) and not isinstance(value, bool)) or (
        isinstance(value, str) and _RATE.match(value)
    ):
        rate = Fraction(value)
    if not Fraction(1, 100) <= rate <= 10_000:
        raise ValueError('expected frames per second as 25 or "24000/1001"')
    return rate


def check_paths(value: object) -> tuple[str, ...]:
    """One path or a list of them, as a tuple."""
    paths = (value,) if isinstance(value, str) else value
    if not isinstance(paths, (list, tuple)) or not paths:
        raise ValueError("expected a path, or a list of paths")
    for path in paths:
        if not isinstance(path, str) or not path.strip() or "\0" in path:
            raise ValueError("expected a path, or a list of paths")
    return tuple(paths)


def check_gains(value: object) -> tuple[float, float, float]:
    """Three gains [r, g, b], each >= 0 and one of them > 0."""
    if not isinstance(value, (list, tuple)) or len(value) != 3 or not all(is_number(v) for v in value):
        raise ValueError("expected three numbers [r, g, b]")
    if min(value) < 0 or max(value) <= 0 or max(value) > 1e6:
        raise ValueError("each of [r, g, b] must be 0 or more, and not all of them 0")
    return float(value[0]), float(value[1]), float(value[2])


def check_luminance_range(value: object) -> tuple[float, float]:
    """A range of linear light [low, high], low >= 0 and below high."""
    if not isinstance(value, (list, tuple)) or len(value) != 2 or not all(is_number(v) for v in value):
        raise ValueError("expected two numbers [low, high]")
    if not 0 <= value[0] < value[1] <= 1e6:
        raise ValueError(f"needs 0 <= low < high, not {list(value)}")
    return float(value[0]), float(value[1])


def check_white(value: object) -> tuple[float, float, float]:
    """Three gains [r, g, b] that are divided by, so each > 0."""
    gains = check_gains(value)
    if min(gains) < 1e-3:
        raise ValueError("each of [r, g, b] must be above 0")
    return gains


def check_polygon(value: object) -> tuple[tuple[float, float], ...]:
    """Three or more corners [[x, y], ...]."""
    message = "expected three or more corners [[x, y], [x, y], [x, y]]"
    if not isinstance(value, (list, tuple)) or len(value) < 3:
        raise ValueError(message)
    for point in value:
        if not isinstance(point, (list, tuple)) or len(point) != 2 or not all(is_number(v) for v in point):
            raise ValueError(message)
        if max(abs(point[0]), abs(point[1])) > MAX_PLACE:
            raise ValueError(f"has a corner at {point[0]:g}, {point[1]:g}; places are pixels of the picture")
    return tuple((float(x), float(y)) for x, y in value)


def check_level(value: object) -> float | str:
    """A mix value: a number, or "off"."""
    if value == "off":
        return "off"
    if not is_number(value) or abs(value) > 1e6:  # type: ignore[arg-type]
        raise ValueError('expected a number, or "off"')
    return float(value)  # type: ignore[arg-type]


def check_point(value: object) -> MixPoint:
    """A point of a mix: [frame, value] or [frame, value, shape]."""
    if not isinstance(value, (list, tuple)) or len(value) not in (2, 3):
        raise ValueError("expected points as [frame, value] or [frame, value, shape]")
    shape = value[2] if len(value) == 3 else None
    if shape is not None and shape not in SHAPES:
        raise ValueError(f"a point's shape is one of {', '.join(SHAPES)}")
    return MixPoint(check_frame(value[0]), check_level(value[1]), shape)


def check_points(value: object) -> tuple[MixPoint, ...]:
    """One or more points in ascending order of frames."""
    if not isinstance(value, (list, tuple)) or not value:
        raise ValueError("expected points as [[frame, value], [frame, value], ...]")
    points = tuple(check_point(point) for point in value)
    for before, after in pairwise(points):
        if after.frame <= before.frame:
            raise ValueError(f"frames must ascend, but {after.frame} follows {before.frame}")
    return points


def check_moments(value: object) -> tuple[float, ...]:
    """One or more real-valued frames in ascending order."""
    if not isinstance(value, (list, tuple)) or not value or not all(is_number(one) for one in value):
        raise ValueError("expected frames as [1010, 1022.5]")
    moments = tuple(float(one) for one in value)
    for before, after in pairwise(moments):
        if after <= before:
            raise ValueError(f"frames must ascend, but {after:g} follows {before:g}")
    if moments[0] < 0 or moments[-1] > MAX_FRAME:
        raise ValueError(f"expected frames from 0 to {MAX_FRAME}")
    return moments


def _each(check: Callable[[Any], Any], what: str) -> Callable[[object], tuple[Any, ...]]:
    def check_all(value: object) -> tuple[Any, ...]:
        if not isinstance(value, (list, tuple)):
            raise ValueError(f"expected a list of {what}")
        return tuple(check(item) for item in value)

    return check_all


Text = Annotated[str, Field(min_length=1), AfterValidator(check_text)]
Name = Annotated[str, Field(max_length=MAX_NAME), AfterValidator(check_name)]
Frame = Annotated[int, BeforeValidator(check_frame)]
Frames = Annotated[tuple[int, ...], BeforeValidator(_each(check_frame, "frame numbers"))]
FrameRange = Annotated[tuple[int, int], BeforeValidator(check_range)]
SourceFrame = Annotated[int | str, BeforeValidator(check_source_frame)]
SourceFrames = Annotated[tuple[int | str, ...], BeforeValidator(_each(check_source_frame, "source frames"))]
SourceRange = Annotated[tuple[int | str, int | str], BeforeValidator(check_source_range)]
SourceRanges = Annotated[
    tuple[tuple[int | str, int | str], ...],
    BeforeValidator(_each(check_exclusion, "source frames or ranges of them")),
]
Rate = Annotated[Fraction, BeforeValidator(check_rate), PlainSerializer(str)]
Paths = Annotated[tuple[str, ...], BeforeValidator(check_paths)]
Gains = Annotated[tuple[float, float, float], BeforeValidator(check_gains)]
White = Annotated[tuple[float, float, float], BeforeValidator(check_white)]
Polygon = Annotated[tuple[tuple[float, float], ...], BeforeValidator(check_polygon)]
MixPoints = Annotated[tuple[MixPoint, ...], BeforeValidator(check_points)]
