"""Movies -> coded frames: one forward pass, or named frames with no more decoding than needed."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Generator, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from lightstack.errors import MismatchedInput, UnreadableInput
from lightstack.files.movie_facts import (
    FrameIndex,
    MovieFacts,
    open_container,
    probe_movie,
    refuse_interlaced,
    scan_index,
)
from lightstack.files.pixels import view_planes
from lightstack.records import CodedFrame

__all__ = ["MovieReader"]

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
                if at < len(wanted) and number == wanted[at]:
                    self.delivered += 1
                    yield self._code(number, frame)
                    at += 1
                    if at == len(wanted) and not to_end:
                        return
                    if at < len(wanted) and self._sync_before(wanted[at], position) is not None:
                        break  # go round: seek
            else:
                if at < len(wanted):
                    self._end_early(position, wanted[at])
                elif to_end and self.facts.tail_missing:
                    self._end_early(position, None)
                return

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
            index = scan_index(self.facts.path)
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
            stream.thread_type = "AUTO"
            if self.threads:
                stream.codec_context.thread_count = self.threads
            if sync is None or self._index is None:
                frames: Iterator[tuple[int, Any]] = enumerate(self._decode(container, stream, 0), start=1)
            else:
                frames = self._decode_after_seek(container, stream, sync, self._index.times)
            for number, frame in frames:
                if number > position:
                    yield number, frame

    def _decode_after_seek(
        self, container: Any, stream: Any, sync: int, times: tuple[int, ...]
    ) -> Iterator[tuple[int, Any]]:
        """Seek to a sync frame and number what comes by its time."""
        _seek_before(container, stream, times[sync - 1])
        yield from self._number_by_time(self._decode(container, stream, sync - 1), times)

    def _number_by_time(self, frames: Iterator[Any], times: tuple[int, ...]) -> Iterator[tuple[int, Any]]:
        for frame in frames:
            place = bisect_left(times, frame.pts) if frame.pts is not None else len(times)
            if (
                place < len(times) and times[place] == frame.pts
            ):  # else a broken leading picture of an open group
                yield place + 1, frame

    def _decode(self, container: Any, stream: Any, position: int) -> Iterator[Any]:
        """Decode until the end from after frame ``position``.

        Damage raises UnreadableInput, or ends the frames with a note where readable parts are kept.
        """
        seen = position
        try:
            for packet in container.demux(stream):
                if packet.is_corrupt:
                    raise av.error.InvalidDataError(0, "a packet is cut off")
                for frame in packet.decode():
                    if frame.is_corrupt:
                        raise av.error.InvalidDataError(0, "a picture is damaged")
                    seen += 1
                    self.decoded += 1
                    yield frame
        except (av.error.FFmpegError, ValueError) as error:
            text = " ".join((getattr(error, "strerror", None) or str(error)).split())
            if not self.keep_readable:
                raise UnreadableInput(
                    f"{self.facts.path}: frame {seen + 1}: cannot be decoded ({text}); the file seems "
                    f"truncated or damaged; copy it again from the card, "
                    f"or use --keep-readable to use frames 1-{seen}"
                ) from None
            self.notes.append(f"frame {seen + 1} cannot be decoded ({text}); the frames before it are used")

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
        note = f"it ends after {position} frames, {declared}"
        if note not in self.notes:
            self.notes.append(note)


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
