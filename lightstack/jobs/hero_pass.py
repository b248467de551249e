"""One pass over the hero that feeds everything made of its frames: preview, movie, elements, contact sheets."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Protocol

from lightstack.files.takes import Take
from lightstack.jobs.poses import pose_of
from lightstack.jobs.shot_frames import FrameMaker, ShotFrame
from lightstack.records import CodedFrame, Progress, Registration

__all__ = ["Sink", "walk_hero"]


class Sink(Protocol):
    """Where frames of the shot go. ``work`` runs in any thread, ``put`` gets its results in the order of frames."""

    def wants(self, shot_frame: int) -> bool: ...

    def work(self, shot: ShotFrame) -> Any: ...

    def put(self, shot_frame: int, piece: Any) -> None: ...


def walk_hero(
    hero: Take,
    maker: FrameMaker,
    sinks: Sequence[Sink],
    *,
    frames: tuple[int, int],
    first_frame: int,
    registration: Registration,
    workers: int = 1,
    progress: Progress,
) -> None:
    """Make every shot frame of ``frames`` (inclusive) that a sink wants, once, and hand it on.

    ``first_frame``: shot frame of the hero's first source frame. A damaged frame that was left out shows the one
    after it, at the end of the take the one before it.

    Notes: at most ``workers`` + 1 frames are held at a time, and the results do not depend on how many there are.
    """
    offset = first_frame - hero.info.first_frame
    wanted = [n for n in range(frames[0], frames[1] + 1) if any(sink.wants(n) for sink in sinks)]
    if not wanted:
        return

    def work(source: CodedFrame, shot_frame: int) -> list[Any]:
        shot = maker.make(source, hero.linear(source), shot_frame, pose_of(registration, source.number))
        return [sink.work(shot) if sink.wants(shot_frame) else None for sink in sinks]

    def put(shot_frame: int, pieces: Sequence[Any]) -> None:
        for sink, piece in zip(sinks, pieces, strict=True):
            if sink.wants(shot_frame):
                sink.put(shot_frame, piece)

    with progress.step("frames", len(wanted)) as step:
        for shot_frame, pieces in run_ahead(work, pair_frames(hero, wanted, offset), workers):
            put(shot_frame, pieces)
            step.advance()


def pair_frames(hero: Take, wanted: Sequence[int], offset: int) -> Iterator[tuple[CodedFrame, int]]:
    """Give every wanted shot frame, ascending, with the source frame that it shows."""
    left = deque(wanted)
    last: CodedFrame | None = None
    numbers = [n - offset for n in wanted]
    whole = numbers[-1] - numbers[0] + 1 == len(numbers)
    for last in hero.frames(numbers[0], numbers[-1]) if whole else hero.read_frames(numbers):
        while left and left[0] - offset <= last.number:
            yield last, left.popleft()
    while left and last is not None:
        yield last, left.popleft()


def run_ahead(
    work: Callable[[CodedFrame, int], list[Any]], frames: Iterator[tuple[CodedFrame, int]], workers: int
) -> Iterator[tuple[int, list[Any]]]:
    """Give what ``work`` makes of every frame, in order, while ``workers`` threads work ahead."""
    waiting: deque[tuple[int, Future[list[Any]]]] = deque()
    with ThreadPoolExecutor(max(1, workers)) as pool:
        try:
            for source, shot_frame in frames:
                waiting.append((shot_frame, pool.submit(work, source, shot_frame)))
                while len(waiting) > workers:
                    number, done = waiting.popleft()
                    yield number, done.result()
            while waiting:
                number, done = waiting.popleft()
                yield number, done.result()
        finally:
            for _, done in waiting:
                done.cancel()
