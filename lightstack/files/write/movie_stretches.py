"""Which files of a hero a range of frames touches, and when its frames show on each file's own clock."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from fractions import Fraction

from lightstack.errors import MismatchedInput
from lightstack.files.read.movie_facts import MovieFacts, list_index, probe_movie, scan_index
from lightstack.files.read.takes import Take

__all__ = ["HeroStretch", "find_stretches"]


@dataclass(frozen=True, slots=True)
class HeroStretch:
    """Frames of one file within a range. ``begin``/``end``: seconds on the file's clock. ``offset``: frames of the
    timecode from the file's first frame. ``ticks``: when each frame shows after ``begin``; None where not known."""

    facts: MovieFacts
    begin: Fraction
    end: Fraction
    offset: int
    ticks: tuple[int, ...] | None


def find_stretches(take: Take, first: int, last: int) -> list[HeroStretch]:
    """Divide source frames ``first`` to ``last`` among the files of a take; empty for stills.

    Raises MismatchedInput where files of the range differ in what a movie has but once; UnreadableInput.
    Cost: reads each file's index; files without one are read once, without decoding.
    """
    if take.info.kind != "movie":
        return []
    begins = [take.number_of(number, 1) for number in range(1, len(take.info.paths) + 1)]
    ends = [*begins[1:], take.info.last_frame + 1]
    found = []
    for path, begin, end in zip(take.info.paths, begins, ends, strict=True):
        if begin is not None and end is not None and begin <= last and end > first:
            facts = probe_movie(path)
            found.append(_time_stretch(facts, max(first, begin) - begin, min(last + 1, end) - begin))
    for other in found[1:]:
        if _describe(other.facts) != _describe(found[0].facts):
            raise MismatchedInput(
                f"{other.facts.path}: is not coded as {found[0].facts.path.name} of the same range, a movie holds one "
                "coding only; make a movie of each file's frames"
            )
    return found


def _describe(facts: MovieFacts) -> tuple[object, ...]:
    return facts.layout, facts.tags, facts.rate, facts.rotation, facts.pixel_aspect


def _time_stretch(facts: MovieFacts, first: int, end: int) -> HeroStretch:
    """Time frames ``first`` (counted from 0) to ``end`` (excluded) of a file."""
    step = 1 / (facts.rate or Fraction(24))
    times = _list_times(facts)
    if times is None or len(times) < end:
        return HeroStretch(facts, first * step, end * step, first, None)
    base = facts.time_base
    begin = _find_seconds(facts, times, first, step)
    finish = _find_seconds(facts, times, end, step) if end < len(times) else begin + (end - first) * step
    if facts.variable_rate and end == len(times):
        finish = times[-1] * base + step
    offset = round((begin - times[0] * base) / step) if facts.variable_rate else first
    return HeroStretch(facts, begin, finish, offset, tuple(time - times[first] for time in times[first:end]))


def _find_seconds(facts: MovieFacts, times: tuple[int, ...], index: int, step: Fraction) -> Fraction:
    """When a frame shows: as its rate says where its time stamp is that, rounded; else as the stamp says."""
    stamped, counted = times[index] * facts.time_base, times[0] * facts.time_base + index * step
    return counted if abs(stamped - counted) <= facts.time_base else stamped


def _list_times(facts: MovieFacts) -> tuple[int, ...] | None:
    """Give the times of a file's frames in ticks, or None where its packets carry none."""
    index = list_index(facts.path, facts.first_time) or scan_index(facts.path)
    if not index.complete or facts.first_time is None:
        return None
    return index.times[bisect_left(index.times, facts.first_time) :]
