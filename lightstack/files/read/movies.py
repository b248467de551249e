"""Movies -> coded frames: one forward pass, or named frames with no more decoding than needed."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Generator, Iterator, Sequence
from contextlib import closing
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from av.video.frame import PictureType

from lightstack.core.timecode import count_timecode
from lightstack.errors import MismatchedInput, UnreadableInput
from lightstack.files.read.movie_facts import (
    FrameIndex,
    MovieFacts,
    list_index,
    probe_movie,
    refuse_interlaced,
    scan_index,
)
from lightstack.files.read.movie_opened import OpenedMovie, decode_packets
from lightstack.files.read.pixels import view_planes
from lightstack.files.tables import format_timecode
from lightstack.records import CodedFrame

__all__ = ["MovieReader"]

FASTEST_COUNTED = Fraction(31)  # frames a second
LEFT_OUT = "are damaged or lean on damaged ones and are left out"


class MovieReader:
    """The frames of one movie file, numbered from 1 at its first decoded frame.

    ``decoded``: frames that the decoder handed over so far; ``run_in``: those of them that were decoded only
    to get from a sync frame to a frame asked for.
    """

    def __init__(self, path: Path, *, keep_readable: bool = False, threads: int = 0) -> None:
        self.facts: MovieFacts = probe_movie(path)
        self.keep_readable = keep_readable
        self.threads = threads
        self.decoded = 0
        self.delivered = 0
        self.notes: list[str] = []
        self._index: FrameIndex | None = None
        self.left_out: set[int] = set()  # damaged, and what leans on them

    @property
    def run_in(self) -> int:
        return self.decoded - self.delivered

    @property
    def first(self) -> int:
        return 1

    @property
    def count(self) -> int:
        return self.facts.declared

    def stream(self, first: int, last: int) -> Iterator[CodedFrame]:
        """Give frames ``first`` to ``last`` in one forward pass."""
        return self.pick(range(first, last + 1), to_end=last >= self.count)

    def pick(self, numbers: Sequence[int], *, to_end: bool = False) -> Generator[CodedFrame, None, None]:
        """Give the frames of ascending ``numbers``; a sync frame is sought only where that saves decoding.

        ``to_end``: read past the last one, so that a file that ends early or late is noticed.
        Raises UnreadableInput at a frame that cannot be decoded or is missing, InputError at an interlaced
        one, MismatchedInput at one of another size.
        """
        with closing(OpenedMovie(self.facts.path, self.threads)) as opened:
            yield from self._pick_from(opened, list(numbers), to_end)

    def _pick_from(self, opened: OpenedMovie, wanted: list[int], to_end: bool) -> Generator[CodedFrame, None, None]:
        at = 0  # index into wanted
        position = 0  # frames already passed
        while at < len(wanted):
            start = self._sync_before(wanted[at], position) if at or wanted[0] > 1 else None
            last = None if start is None or to_end or self.keep_readable else self._last_of_run(wanted[at:])
            for number, frame in self._decode_from(opened, start, position, last):
                position = number
                while at < len(wanted) and wanted[at] < number and wanted[at] in self.left_out:
                    at += 1
                if at == len(wanted) and not to_end:
                    return
                if at < len(wanted) and number == wanted[at]:
                    self.delivered += 1
                    yield self._code(number, frame)
                    at += 1
                    if at == len(wanted) and not to_end:
                        return
                    if at < len(wanted) and self._sync_before(wanted[at], position) is not None:
                        break  # go round: seek
            else:
                position = max(position, *self.left_out, 0)
                wanted = [number for number in wanted[at:] if number not in self.left_out]
                if wanted and last is not None:
                    raise self._refuse_damage(wanted[0], "no picture came", whole=False)
                if wanted:
                    self._end_early(position, wanted[0])
                elif to_end and self.facts.tail_missing:
                    self._end_early(position, None)
                return

    def hear(self, notes: Sequence[str], left_out: Sequence[int]) -> None:
        """Take over what another reader of the same movie found out."""
        for note in notes:
            if not note.endswith(LEFT_OUT):
                self._note(note)
        if left_out:
            self._leave_out(left_out)

    def list_sync(self) -> tuple[int, ...] | None:
        """The frames at which decoding can begin; None where it can at every one."""
        index = self._read_index()
        if index is None:
            return (1,)
        return None if all(index.sync) else tuple(k + 1 for k, sync in enumerate(index.sync) if sync)

    # --- where to start ---

    def _sync_before(self, number: int, position: int) -> int | None:
        """The sync frame to seek to for ``number``, or None where decoding on is as good."""
        if number <= position + 1:
            return None
        index = self._read_index()
        if index is None or number > len(index.times):
            return None
        sync = number
        while sync > position + 1 and not index.sync[sync - 1]:
            sync -= 1
        return sync if sync > position + 1 else None

    def _last_of_run(self, wanted: Sequence[int]) -> int:
        """The last frame that is decoded on to from the first of ``wanted``; the one after it is sought."""
        return next((a for a, b in pairwise(wanted) if self._sync_before(b, a) is not None), wanted[-1])

    def _read_index(self) -> FrameIndex | None:
        """Times of all frames, or None where they cannot be trusted to name frames."""
        if self._index is None:
            index = list_index(self.facts.path, self.facts.first_time) or scan_index(self.facts.path)
            if index.complete and self.facts.first_time is not None:
                lead = bisect_left(index.times, self.facts.first_time)  # undecodable frames before the first
                self._index = FrameIndex(index.times[lead:], index.sync[lead:], True)
            else:
                self._index = FrameIndex((), (), False)
        usable = self._index.complete and len(set(self._index.times)) == len(self._index.times) == self.count
        return self._index if usable else None

    # --- decoding ---

    def _decode_from(
        self, opened: OpenedMovie, sync: int | None, position: int, last: int | None
    ) -> Iterator[tuple[int, Any]]:
        """Decode forward from a sync frame, or from the start; give numbered frames after ``position``.

        ``last``: nothing after it is wanted; None decodes to the end.
        """
        index = None if sync is None else self._index
        times = None if index is None else index.times
        begin = None if sync is None or times is None else times[sync - 1]
        needed = None if last is None or sync is None or times is None else frozenset(times[sync - 1 : last])
        container, stream = opened.start(begin, alone=index is not None and all(index.sync))
        frames = self._count(decode_packets(container, stream, needed))
        numbered = self._number(frames, 0 if times is None else sync or 0, times)
        for number, frame in self._keep_sound(numbered, (sync or 1) - 1):
            if number > position:
                yield number, frame

    def _count(self, frames: Iterator[tuple[Any, str]]) -> Iterator[tuple[Any, str]]:
        """Count the frames that the decoder hands over."""
        for frame, fault in frames:
            self.decoded += frame is not None
            yield frame, fault

    def _number(
        self, frames: Iterator[tuple[Any, str]], first: int, times: tuple[int, ...] | None
    ) -> Iterator[tuple[int, Any, str]]:
        """Number frames by counting; by their times after a seek to frame ``first``, or once one did not come.

        Damage raises UnreadableInput, unless readable parts are kept.
        """
        number = max(first - 1, 0)
        for frame, fault in frames:
            if frame is not None and times is not None:
                place = _find_time(times, frame.pts)
                if place is None or place < first:
                    continue  # a broken leading picture of an open group
                number = place
            elif frame is not None:
                number += 1
            if fault and not self.keep_readable:
                raise self._refuse_damage(number + (frame is None), fault, whole=frame is not None)
            if frame is not None:
                yield number, frame, fault
            elif times is None:
                index = self._read_index()
                if index is None:  # frames after this one could not be told apart
                    self._note(f"frame {number + 1} cannot be decoded ({fault}); the frames before it are used")
                    return
                times = index.times

    def _keep_sound(self, frames: Iterator[tuple[int, Any, str]], last: int) -> Iterator[tuple[int, Any]]:
        """Leave out what is damaged and whatever is predicted from it: all until the next sound sync frame.

        Notes: frames predicted both ways come before the frame that they lean on; where readable parts are kept, they
        wait until that one is known to be sound.
        """
        waiting: list[tuple[int, Any]] = []
        broken = False
        for number, frame, fault in frames:
            lost = range(last + 1, number)
            last = number
            if len(lost) and not self.keep_readable:
                raise self._refuse_damage(lost[0], "no picture came", whole=False)
            broken = (broken or bool(fault) or len(lost) > 0) and (bool(fault) or not frame.key_frame)
            if fault or len(lost):
                self._leave_out([*(n for n, _ in waiting), *lost])
                waiting = []
            if broken:
                self._leave_out([number])
            elif self.keep_readable and frame.pict_type == PictureType.B:
                waiting.append((number, frame))
            else:
                yield from waiting
                waiting = []
                yield number, frame
        yield from waiting

    def _leave_out(self, numbers: Sequence[int]) -> None:
        """Note frames that are damaged, in one line for the whole movie."""
        self.left_out.update(numbers)
        self.notes[:] = [note for note in self.notes if not note.endswith(LEFT_OUT)]
        if self.left_out:
            self.notes.append(f"frames {list_ranges(sorted(self.left_out))} {LEFT_OUT}")

    def _note(self, note: str) -> None:
        if note not in self.notes:
            self.notes.append(note)

    def _refuse_damage(self, number: int, fault: str, *, whole: bool) -> UnreadableInput:
        """The error for a frame that is damaged, or with ``whole`` False did not come at all."""
        if whole:
            return UnreadableInput(
                f"{self.facts.path}: frame {number}: is damaged ({fault}); copy the file again from the card, "
                "or use --keep-readable to leave out damaged frames"
            )
        return UnreadableInput(
            f"{self.facts.path}: frame {number}: cannot be decoded ({fault}); the file seems truncated or damaged; "
            f"copy it again from the card, or use --keep-readable to use what is sound"
        )

    def _code(self, number: int, frame: Any) -> CodedFrame:
        facts = self.facts
        if frame.interlaced_frame:
            raise refuse_interlaced(facts.path, number)
        if (frame.width, frame.height, frame.format.name) != (facts.width, facts.height, facts.layout.name):
            raise MismatchedInput(
                f"{facts.path}: frame {number}: is {frame.width} x {frame.height} {frame.format.name}, "
                f"frame 1 is {facts.width} x {facts.height} {facts.layout.name}; "
                "a take must keep its size: split the file there"
            )
        seconds = None
        if frame.pts is not None:
            seconds = Fraction(frame.pts) * facts.time_base
        return CodedFrame(number, view_planes(frame, facts.layout), seconds, self._say_timecode(number))

    def _say_timecode(self, number: int) -> str | None:
        """The timecode of a frame, counted from the movie's own; None where counting would be a guess.

        Notes: a rate that varies has no number per frame, and fast movies (50, 60) often count pairs of frames.
        """
        facts = self.facts
        if facts.timecode is None or facts.rate is None or facts.variable_rate or facts.rate > FASTEST_COUNTED:
            return None
        start = count_timecode(facts.timecode, facts.rate)
        drop = facts.timecode.count(":") == 2 and round(facts.rate) == 30
        return None if start is None else format_timecode(start + number - 1, round(facts.rate), 2 if drop else 0)

    def _end_early(self, position: int, wanted: int | None) -> None:
        """Refuse, or note, that the movie ended before what its container declares."""
        if position == 0:
            raise UnreadableInput(f"{self.facts.path}: holds no frames; expected {self.facts.declared}")
        declared = f"{self.facts.declared} are declared" if wanted else "its declared running time is longer"
        if not self.keep_readable:
            raise UnreadableInput(
                f"{self.facts.path}: frame {position + 1}: the movie ends after {position} frames, "
                f"{declared}; it seems truncated; copy it again from the card, "
                f"or use --keep-readable to use frames 1-{position}"
            )
        self._note(f"it ends after {position} frames, {declared}")


def list_ranges(numbers: Sequence[int]) -> str:
    """Write ascending numbers as ranges: ``3, 7-12``."""
    ranges: list[list[int]] = []
    for number in numbers:
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1][1] = number
        else:
            ranges.append([number, number])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in ranges)


def _find_time(times: Sequence[int], pts: int | None) -> int | None:
    """The number of the frame that shows at a time, or None."""
    place = bisect_left(times, pts) if pts is not None else len(times)
    return place + 1 if place < len(times) and times[place] == pts else None
