"""Numbers in plain words: shares, stops, pixels, sigmas, counts and runs of frames."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

MINUS = "\u2212"
NARROW_SPACE = "\u202f"


def say_number(value: float, digits: int = 2) -> str:
    """Write a number with at most ``digits`` decimals, a real minus sign and no needless zeros."""
    if not math.isfinite(value):
        return "not measured" if math.isnan(value) else ("no limit" if value > 0 else "off")
    text = f"{abs(value):.{digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return (MINUS if value < 0 and text != "0" else "") + text


def say_share(share: float) -> str:
    """Write a share 0..1 as a percentage: two figures below 10 %, never a false 0 % or 100 %."""
    if not math.isfinite(share):
        return "not measured"
    percent = 100.0 * share
    if 0 < percent < 0.01:
        return f"under 0.01{NARROW_SPACE}%"
    if 99.95 <= percent < 100:
        return f"over 99.9{NARROW_SPACE}%"
    digits = 0 if percent in (0.0, 100.0) else 1 if percent >= 1 else 2
    return f"{say_number(percent, digits)}{NARROW_SPACE}%"


def say_stops(stops: float, *, signed: bool = True) -> str:
    """Write a difference in stops, with its sign unless told otherwise; -inf is "off"."""
    if not math.isfinite(stops):
        return say_number(stops)
    text = say_number(stops if signed else abs(stops))
    plus = "+" if signed and stops > 0 and text != "0" else ""
    return f"{plus}{text} {'stop' if text.lstrip(MINUS) == '1' else 'stops'}"


def say_px(pixels: float) -> str:
    """Write a length in full-size pixels."""
    return say_number(pixels) + (" px" if math.isfinite(pixels) else "")


def say_sigma(value: float) -> str:
    """Write a multiple of the noise's standard deviation."""
    return say_number(value, 1 if abs(value) < 100 else 0) + (" sigma" if math.isfinite(value) else "")


def say_count(count: int, one: str, many: str | None = None) -> str:
    """Write a count with its noun: "1 frame", "12 frames", "no frames"."""
    noun = one if count == 1 else (many or one + "s")
    return f"{count if count else 'no'} {noun}"


def say_list(words: Sequence[str]) -> str:
    """Join words as a sentence does: "a", "a and b", "a, b and c"."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def list_runs(numbers: Iterable[int]) -> list[tuple[int, int]]:
    """Return the inclusive runs, ascending, that numbers make up."""
    runs: list[tuple[int, int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def say_ranges(numbers: Iterable[int], *, most: int | None = 6) -> str:
    """Write frame numbers as they are typed, "12-18, 40"; past ``most`` runs the rest is counted, None writes all."""
    runs = list_runs(numbers)
    shown = ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs[:most])
    rest = len(runs) - len(runs[:most])
    return f"{shown} and {rest} more stretches" if rest else shown


def say_frames(numbers: Iterable[int], *, most: int = 6) -> str:
    """Write frame numbers as inclusive runs, "12-18, 40 and 51"; past ``most`` runs the rest is counted."""
    runs = list_runs(numbers)
    words = [f"{a}" if a == b else f"{a}\u2013{b}" for a, b in runs[:most]]
    rest = sum(b - a + 1 for a, b in runs[most:])
    return say_list([*words, f"{rest} more"] if rest else words)
