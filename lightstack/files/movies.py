"""Movies -> coded frames: one forward pass, or named frames with no more decoding than needed."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Generator, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.video.frame import PictureType

from lightstack.errors import MismatchedInput, UnreadableInput
from lightstack.files.movie_facts import (
    FrameIndex,
    MovieFacts,
    list_index,
    open_container,
    probe_movie,
    refuse_interlaced,
    scan_index,
)
from lightstack.files.pixels import view_planes
from lightstack.records import CodedFrame

__all__ = ["MovieReader"]

LEFT_OUT = "are damaged or lean on damaged ones and are left out"
SEEK_BACK_SECONDS = (
    0,
    0.5,
    2,
    8,
    30,
)  # how far before a sync frame to ask for, until the seek lands before it


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
        self._left_out: set[int] = set()  # damaged, and what leans on them

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
        wanted = list(numbers)
        at = 0  # index into wanted
        position = 0  # frames already passed
        while at < len(wanted):
            start = self._sync_before(wanted[at], position) if at or wanted[0] > 1 else None
            for number, frame in self._decode_from(start, position):
                position = number
                while at < len(wanted) and wanted[at] < number and wanted[at] in self._left_out:
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
                position = max(position, *self._left_out, 0)
                wanted = [number for number in wanted[at:] if number not in self._left_out]
                if wanted:
                    self._end_early(position, wanted[0])
                elif to_end and self.facts.tail_missing:
                    self._end_early(position, None)
                return

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

    def _decode_from(self, sync: int | None, position: int) -> Iterator[tuple[int, Any]]:
        """Decode forward from a sync frame, or from the start; give numbered frames after ``position``."""
        with open_container(self.facts.path) as (container, stream):
            # threads by frame decode ahead what nobody asked for, where every frame wanted is sought by itself
            alone = sync is not None and self._index is not None and all(self._index.sync)
            stream.thread_type = "SLICE" if alone else "AUTO"
            if self.threads:
                stream.codec_context.thread_count = self.threads
            times: tuple[int, ...] | None = None
            if sync is not None and self._index is not None:
                times = self._index.times
                _seek_before(container, stream, times[sync - 1])
            numbered = self._number(self._decode(container, stream), 0 if times is None else sync or 0, times)
            for number, frame in self._keep_sound(numbered, (sync or 1) - 1):
                if number > position:
                    yield number, frame

    def _decode(self, container: Any, stream: Any) -> Iterator[tuple[Any, str]]:
        """Decode until the end: frames, each with what is wrong with it; None for what gave no frame."""
        try:
            for packet in container.demux(stream):
                if packet.is_corrupt:
                    yield None, "a packet is cut off"
                    continue
                try:
                    frames = packet.decode()
                except (av.error.FFmpegError, ValueError) as error:
                    yield None, _say(error)
                    continue
                for frame in frames:
                    self.decoded += 1
                    yield frame, "a picture is damaged" if frame.is_corrupt else ""
        except (av.error.FFmpegError, ValueError) as error:
            yield None, _say(error)

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
        self._left_out.update(numbers)
        self.notes[:] = [note for note in self.notes if not note.endswith(LEFT_OUT)]
        if self._left_out:
            self.notes.append(f"frames {list_ranges(sorted(self._left_out))} {LEFT_OUT}")

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
        return CodedFrame(number, view_planes(frame, facts.layout), seconds)

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


def _say(error: Exception) -> str:
    return " ".join((getattr(error, "strerror", None) or str(error)).split())


def _seek_before(container: Any, stream: Any, time: int) -> None:
    """Seek so that the next sync frame shows at ``time`` or earlier.

    Some containers (transport streams) land behind the place asked for; packets tell, without decoding.
    """
    for back_seconds in SEEK_BACK_SECONDS:
        target = time - int(back_seconds / stream.time_base)
        container.seek(target, stream=stream, backward=True)
        found = next((p.pts for p in container.demux(stream) if p.is_keyframe and p.pts is not None), None)
        if found is not None and found <= time:
            container.seek(target, stream=stream, backward=True)
            return
    container.seek(0, backward=True)
