"""A movie held open while frames are sought in it: opening one decodes frames by itself, only to look what they are."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from lightstack.errors import UnreadableInput
from lightstack.files.read.movie_facts import open_container

__all__ = ["OpenedMovie"]

SEEK_BACK_SECONDS = (0, 0.5, 2, 8, 30)  # how far before a sync frame to ask for, until the seek lands before it


class OpenedMovie:
    """One movie, opened when it is first needed and again only where another kind of threads is."""

    def __init__(self, path: Path, threads: int = 0) -> None:
        self.path = path
        self.threads = threads
        self._stack = ExitStack()
        self._opened: tuple[str, Any, Any] | None = None

    def close(self) -> None:
        """Let go of the file."""
        self._opened = None
        self._stack.close()

    def start(self, time: int | None, *, alone: bool) -> tuple[Any, Any]:
        """Return container and stream, to be read from the sync frame at ``time`` (ticks; None: from the start) on.

        Raises as `open_container`, and UnreadableInput where the place cannot be found.

        ``alone``: every frame wanted is sought by itself; threads by frame would decode ahead what nobody asked for.
        """
        kind = "SLICE" if alone else "AUTO"
        if self._opened is None or self._opened[0] != kind or time is None:
            self.close()
            container, stream = self._stack.enter_context(open_container(self.path))
            stream.thread_type = kind
            if self.threads:
                stream.codec_context.thread_count = self.threads
            self._opened = (kind, container, stream)
        _, container, stream = self._opened
        if time is not None:
            try:
                _seek_before(container, stream, time)
            except (av.error.FFmpegError, ValueError) as error:
                raise UnreadableInput(
                    f"{self.path}: its frames cannot be found by their times ({_say(error)}); the file seems damaged; "
                    "copy it again from the card"
                ) from None
        return container, stream


def _seek_before(container: Any, stream: Any, time: int) -> None:
    """Seek so that the next sync frame shows at ``time`` or earlier; the decoder forgets what it holds.

    Some containers (transport streams) land behind the place asked for; packets tell, without decoding.
    """
    for back_seconds in SEEK_BACK_SECONDS:
        target = time - int(back_seconds / Fraction(stream.time_base))
        container.seek(target, stream=stream, backward=True)
        found = next((p.pts for p in container.demux(stream) if p.is_keyframe and p.pts is not None), None)
        if found is not None and found <= time:
            container.seek(target, stream=stream, backward=True)
            return
    container.seek(0, backward=True)


def decode_packets(container: Any, stream: Any, needed: frozenset[int] | None = None) -> Iterator[tuple[Any, str]]:
    """Decode until the end: frames, each with what is wrong with it; None for what gave no frame.

    ``needed``: times (ticks) of the frames that are wanted and of all that show before them; once their packets were
    read, the decoder gives out what it holds and no more is read, so that nothing is decoded ahead.
    """
    missing = None if needed is None else set(needed)
    held = HeldFaults()
    try:
        for packet in container.demux(stream):
            if packet.is_corrupt:
                held.lose("a packet is cut off")
                continue
            try:
                frames = packet.decode()
            except (av.error.FFmpegError, ValueError) as error:
                yield from held.end()
                yield None, _say(error)
                continue
            held.send(packet.pts)
            yield from held.pass_on(frames)
            if missing is not None:
                missing.discard(packet.pts)
                if not missing:
                    break
        else:
            yield from held.end()
            return
        yield from held.pass_on(stream.codec_context.decode(None))
        yield from held.end()
    except (av.error.FFmpegError, ValueError) as error:
        held.lose(_say(error))
        yield from held.pass_on(_drain(stream))
        yield from held.end()


class HeldFaults:
    """Tells of a lost packet behind the frames that were sent to the decoder before it, and before all others.

    Notes: how many frames a decoder holds back follows from its threads, and so from the machine. Told of at once, a
    cut movie would end earlier the more processors there are.
    """

    def __init__(self) -> None:
        self._sent: set[int | None] = set()  # times of packets whose frames did not come yet
        self._lost: list[str] = []
        self._before: set[int | None] = set()

    def send(self, time: int | None) -> None:
        """Note a packet that the decoder took."""
        self._sent.add(time)

    def lose(self, fault: str) -> None:
        """Note a packet that is lost."""
        if not self._lost:
            self._before = set(self._sent)
        self._lost.append(fault)

    def pass_on(self, frames: Iterable[Any]) -> Iterator[tuple[Any, str]]:
        """Give frames with what is wrong with them, and between them what was lost."""
        for frame in frames:
            if self._lost and frame.pts not in self._before:
                yield from self.end()
            self._sent.discard(frame.pts)
            yield frame, "a picture is damaged" if frame.is_corrupt else ""

    def end(self) -> Iterator[tuple[Any, str]]:
        """Give what was lost and not told yet."""
        lost, self._lost = self._lost, []
        for fault in lost:
            yield None, fault


def _drain(stream: Any) -> list[Any]:
    """Return the frames that a decoder still holds, less those that it may hold for their order: nobody knows any more
    what would have come between them."""
    context = stream.codec_context
    try:
        frames = list(context.decode(None))
    except (av.error.FFmpegError, ValueError):  # it holds nothing, or nothing sound
        return []
    depth = int(getattr(context, "reorder_depth", 2 * bool(context.has_b_frames)))
    return frames[: max(0, len(frames) - depth)]


def _say(error: Exception) -> str:
    return " ".join((getattr(error, "strerror", None) or str(error)).split())
