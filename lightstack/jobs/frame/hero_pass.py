"""One pass over the hero that feeds everything made of its frames: preview, movie, elements, contact sheets."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Protocol

from lightstack.errors import UnreadableInput
from lightstack.files.read.takes import Take
from lightstack.jobs.frame.shot_frames import FrameMaker, ShotFrame
from lightstack.jobs.takes.poses import pose_of
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
    ends = (frames[0] - offset, frames[1] - offset)

    def work(source: CodedFrame, shot_frame: int) -> list[Any]:
        shot = maker.make(source, hero.linear(source), shot_frame, pose_of(registration, source.number))
        return [sink.work(shot) if sink.wants(shot_frame) else None for sink in sinks]

    def put(shot_frame: int, pieces: Sequence[Any]) -> None:
        for sink, piece in zip(sinks, pieces, strict=True):
            if sink.wants(shot_frame):
                sink.put(shot_frame, piece)

    with progress.step("frames", len(wanted)) as step:
        for shot_frame, pieces in run_ahead(work, pair_frames(hero, wanted, offset, ends), workers):
            put(shot_frame, pieces)
            step.advance()


def pair_frames(
    hero: Take, wanted: Sequence[int], offset: int, ends: tuple[int, int]
) -> Iterator[tuple[CodedFrame, int]]:
    """Give every wanted shot frame, ascending, with the source frame that it shows.

    ``ends``: source frames of the whole shot, inclusive. What a damaged frame shows does not depend on which others
    are wanted, so that frames of a run that goes on are those of one that never broke off.
    """
    left = deque(wanted)
    numbers = [n - offset for n in wanted]
    whole = numbers[-1] - numbers[0] + 1 == len(numbers)
    for found in hero.frames(numbers[0], numbers[-1]) if whole else hero.read_frames(numbers):
        while left and left[0] - offset < found.number:
            shot_frame = left.popleft()
            yield found if whole else find_stand_in(hero, shot_frame - offset, ends), shot_frame
        if left and left[0] - offset == found.number:
            yield found, left.popleft()
    while left:
        shot_frame = left.popleft()
        stand_in = find_stand_in(hero, shot_frame - offset, ends)
        yield stand_in, shot_frame
        while whole and left and stand_in.number < shot_frame - offset:  # nothing sound comes after it
            yield stand_in, left.popleft()


def find_stand_in(hero: Take, number: int, ends: tuple[int, int]) -> CodedFrame:
    """Return the sound frame after a damaged one, within ``ends``; where none comes, the one before it.

    Raises UnreadableInput where there is neither.
    """
    frames = hero.frames(number, ends[1])
    after = next(frames, None)
    frames.close()  # type: ignore[attr-defined]  # or frames that were decoded ahead stay in memory
    if after is not None:
        return after
    reach = 1
    while number - reach // 2 >= ends[0]:
        before = deque(hero.frames(max(ends[0], number - reach), number), maxlen=1)
        if before:
            return before[0]
        reach *= 2
    raise UnreadableInput(f"{hero.info.paths[0]}: none of its frames can be read; copy it again from the card")


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
