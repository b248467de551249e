"""One pass over the hero that feeds everything made of its frames: preview, movie, elements, contact sheets."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Protocol

from lightstack.errors import UnreadableInput
from lightstack.files.read.takes import FoundReading, Take
from lightstack.jobs.frame.shot_frames import FrameMaker, ShotFrame
from lightstack.jobs.spread.pieces import Spread, cut_frames
from lightstack.jobs.takes.memory import plan_piece_frames
from lightstack.jobs.takes.poses import pose_of
from lightstack.records import CodedFrame, Progress, Registration

__all__ = ["Sink", "walk_hero"]


class Sink(Protocol):
    """Where frames of the shot go. ``work`` runs in any thread, on other machines too where work is spread (so it can
    be pickled, and knows nothing of what `put` keeps); ``put`` gets its results here, in the order of frames."""

    def wants(self, shot_frame: int) -> bool: ...

    @property
    def work(self) -> Callable[[ShotFrame], Any]: ...

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
    spread: Spread | None = None,
    progress: Progress,
) -> None:
    """Make every shot frame of ``frames`` (inclusive) that a sink wants, once, and hand it on.

    ``first_frame``: shot frame of the hero's first source frame. A damaged frame that was left out shows the one
    after it, at the end of the take the one before it. ``spread``: who makes frames elsewhere.

    Notes: at most ``workers`` + 1 frames are held at a time, and the results do not depend on how many there are.
    """
    offset = first_frame - hero.info.first_frame
    wanted = [n for n in range(frames[0], frames[1] + 1) if any(sink.wants(n) for sink in sinks)]
    if not wanted:
        return
    ends = (frames[0] - offset, frames[1] - offset)
    works = tuple(sink.work for sink in sinks)

    def work(source: CodedFrame, shot_frame: int) -> list[Any]:
        job = FramesJob(hero, maker, works, offset, ends, registration)
        return job.make(source, shot_frame, [sink.wants(shot_frame) for sink in sinks])

    def put(shot_frame: int, pieces: Sequence[Any]) -> None:
        for sink, piece in zip(sinks, pieces, strict=True):
            if sink.wants(shot_frame):
                sink.put(shot_frame, piece)

    with progress.step("frames", len(wanted)) as step:
        if spread is None:
            made = run_ahead(work, pair_frames(hero, wanted, offset, ends), workers)
        else:
            asked = [(n, tuple(sink.wants(n) for sink in sinks)) for n in wanted]
            made = make_elsewhere(FramesJob(hero, maker, works, offset, ends, registration), asked, spread)
        for shot_frame, pieces in made:
            put(shot_frame, pieces)
            step.advance()


Asked = tuple[int, tuple[bool, ...]]  # a shot frame, and which of the sinks want it


@dataclass(frozen=True, slots=True, eq=False)
class FramesJob:
    """What frames are made of and for, without what keeps them; ``works``: the sinks'. See `walk_hero`."""

    hero: Take
    maker: FrameMaker
    works: tuple[Callable[[ShotFrame], Any], ...]
    offset: int
    ends: tuple[int, int]
    registration: Registration

    def make(self, source: CodedFrame, shot_frame: int, wanted: Sequence[bool]) -> list[Any]:
        """Make one frame and return what is ``wanted`` of it, by sink."""
        pose = pose_of(self.registration, source.number)
        shot = self.maker.make(source, self.hero.linear(source), shot_frame, pose)
        return [work(shot) if wants else None for work, wants in zip(self.works, wanted, strict=True)]


def make_elsewhere(job: FramesJob, asked: Sequence[Asked], spread: Spread) -> Iterator[tuple[int, list[Any]]]:
    """Have frames made by others, and give what came of each in order."""
    info = job.hero.info
    most = plan_piece_frames((info.height, info.width), spread.hands)
    numbers = cut_frames([n - job.offset for n, _ in asked], job.hero.list_sync(), spread.hands, most=most)
    wants = dict(asked)
    pieces = [[(n + job.offset, wants[n + job.offset]) for n in piece] for piece in numbers]
    for made, found in spread.run(make_some, job, pieces):
        job.hero.add_found(found)
        yield from made


def make_some(job: FramesJob, asked: Sequence[Asked]) -> tuple[list[tuple[int, list[Any]]], FoundReading]:
    """Make some of a job's frames, with a reader of one's own."""
    wants = dict(asked)
    with job.hero.opened_again() as hero:
        frames = pair_frames(hero, list(wants), job.offset, job.ends)
        made = [(shot_frame, job.make(source, shot_frame, wants[shot_frame])) for source, shot_frame in frames]
        return made, hero.found()


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
