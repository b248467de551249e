"""How frames of a take are surveyed, here or by others: each picture to its place in two files, the rest tallied.

What is tallied are counts and copies, so a take that is cut into pieces gives the same to the bit as one that is not.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.ceiling import CeilingTally
from lightstack.core.half import narrow_within
from lightstack.files.folder import explain_os_error, own_parts, part_of
from lightstack.files.read.takes import FoundReading
from lightstack.jobs.spread.pieces import Spread, cut_at_sync
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.records import CodedFrame

__all__ = [
    "FrameRow",
    "SurveyJob",
    "SurveyTally",
    "close_gaps",
    "new_files",
    "start_ceiling",
    "survey_elsewhere",
    "survey_here",
]

LIMIT = np.float32(6e4)  # of what a half float is trusted with
PIECE_FRAMES = 12  # at least, in a piece for others: to open a take costs about as much as to survey one or two


@dataclass(frozen=True, slots=True)
class FrameRow:
    """What is known of a surveyed frame beside its picture; ``seconds`` is NaN where nothing tells."""

    number: int
    seconds: float
    timecode: str | None


@dataclass(slots=True)
class SurveyTally:
    """What the frames of a take, or of a piece of it, gave; ``ceiling`` None: it needs none."""

    ceiling: CeilingTally | None
    luma: LumaSamples
    rows: list[FrameRow] = field(default_factory=list)

    def add(self, frame: CodedFrame) -> None:
        """Count in a frame."""
        if self.ceiling is not None:
            self.ceiling.add(frame.planes[0])
        self.luma.watch(frame)
        seconds = float("nan") if frame.seconds is None else float(frame.seconds)
        self.rows.append(FrameRow(frame.number, seconds, frame.timecode))

    def join(self, later: SurveyTally) -> None:
        """Count in the frames of a later piece."""
        if self.ceiling is not None and later.ceiling is not None:
            self.ceiling.join(later.ceiling)
        self.luma.join(later.luma)
        self.rows += later.rows


@dataclass(frozen=True, slots=True, eq=False)
class SurveyJob:
    """What is surveyed, and where to: source frames ``use``, inclusive, box-averaged by ``factor``; ``paths`` of the
    pictures and of their clip flags."""

    fitted: FittedTake
    factor: int
    use: tuple[int, int]
    paths: tuple[Path, Path]
    wanted: frozenset[int]  # frames whose luma is kept

    @property
    def size(self) -> tuple[int, int]:
        """Height and width at survey size."""
        return self.fitted.size[0] // self.factor, self.fitted.size[1] // self.factor

    def begin(self) -> SurveyTally:
        """Return a tally of no frames."""
        return SurveyTally(start_ceiling(self.fitted), LumaSamples(set(self.wanted)))

    def see(self, frames: Iterable[CodedFrame], tally: SurveyTally) -> Iterator[int]:
        """Store every frame and tally it; give 1 for each."""
        used = None if tally.ceiling is None else tally.ceiling.used
        with open_to_change(self.paths[0]) as rgb_file, open_to_change(self.paths[1]) as clipped_file:
            for frame in frames:
                picture, flags = self.fitted.proxy(frame, self.factor, ceiling=used)
                rgb = np.empty(picture.shape, np.float16)
                flat = np.ascontiguousarray(picture, np.float32).reshape(-1)
                narrow_within(flat, LIMIT, rgb.view(np.uint16).reshape(-1))
                place = frame.number - self.use[0]
                put_at(rgb_file, place, rgb)
                put_at(clipped_file, place, np.ascontiguousarray(flags))
                tally.add(frame)
                yield 1


def start_ceiling(fitted: FittedTake) -> CeilingTally | None:
    """Return what finds the take's clipping; None where its codes are floats or a configuration decodes them."""
    encoding = fitted.take.info.encoding
    return None if encoding.is_float or encoding.ocio_space is not None else CeilingTally(encoding)


def survey_here(job: SurveyJob, tally: SurveyTally) -> Iterator[int]:
    """Survey a whole take in one forward pass and count it into ``tally``; give how many frames are done."""
    yield from job.see(job.fitted.take.frames(*job.use), tally)


def survey_elsewhere(job: SurveyJob, tally: SurveyTally, spread: Spread) -> Iterator[int]:
    """Have a take surveyed in pieces by others, as `survey_here` does. Raises what a piece of it raised."""
    take = job.fitted.take
    pieces = cut_at_sync(range(job.use[0], job.use[1] + 1), take.list_sync(), PIECE_FRAMES)
    for seen, found in spread.run(survey_some, job, pieces):
        take.add_found(found)
        tally.join(seen)
        yield len(seen.rows)


def survey_some(job: SurveyJob, numbers: Sequence[int]) -> tuple[SurveyTally, FoundReading]:
    """Survey frames that follow each other, with a reader of one's own."""
    with job.fitted.take.opened_again() as take:
        own = replace(job, fitted=replace(job.fitted, take=take))
        tally = own.begin()
        for _ in own.see(take.frames(numbers[0], numbers[-1]), tally):
            pass
        for path in job.paths:
            sync_file(path)
        return tally, take.found()


# --- files of pictures of one size ---


@contextmanager
def new_files(paths: tuple[Path, Path]) -> Iterator[tuple[Path, Path]]:
    """Give two empty files that take the place of ``paths`` once all is well; whoever still has older ones mapped
    keeps them whole. Raises OutputError."""
    with own_parts():  # a worker of a run that was killed may still write into that run's
        parts = part_of(paths[0]), part_of(paths[1])
    try:
        for path, part in zip(paths, parts, strict=True):
            with explain_os_error(path):
                path.unlink(missing_ok=True)  # its room may be needed
                part.write_bytes(b"")
        yield parts
        for path, part in zip(paths, parts, strict=True):
            with explain_os_error(path):
                part.replace(path)
    finally:
        with suppress(OSError):
            for part in parts:
                part.unlink(missing_ok=True)


@contextmanager
def open_to_change(path: Path) -> Iterator[BinaryIO]:
    """Open a file that is there, to write at places of it. Raises OutputError."""
    with explain_os_error(path), path.open("rb+") as stream:
        yield stream


def put_at(stream: BinaryIO, place: int, picture: NDArray) -> None:
    """Write a picture where it has its place among others of its size."""
    stream.seek(place * picture.nbytes)
    stream.write(picture.data)


def sync_file(path: Path) -> None:
    """Have what was written reach the disk. Raises OutputError."""
    with open_to_change(path) as stream:
        os.fsync(stream.fileno())


def close_gaps(path: Path, picture_bytes: int, places: Sequence[int]) -> None:
    """Move stored pictures up to follow each other; ``places``: where there is one, ascending. Raises OutputError."""
    with open_to_change(path) as stream:
        for k, place in enumerate(places):
            if k != place:
                stream.seek(place * picture_bytes)
                picture = stream.read(picture_bytes)
                stream.seek(k * picture_bytes)
                stream.write(picture)
        stream.truncate(len(places) * picture_bytes)
