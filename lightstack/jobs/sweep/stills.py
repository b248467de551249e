"""The second pass: key frames decoded at full size, taken apart and put into the light stack."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lightstack.core.half import take_apart
from lightstack.core.sweep.blockers import CLOSED, refine_blockers
from lightstack.core.sweep.guide import GuideMaker, GuideRecipe
from lightstack.core.sweep.hot_pixels import repair_pixels
from lightstack.core.sweep.separate import combine_validity
from lightstack.core.warp import warp_picture
from lightstack.files.kept.stack import LightStack
from lightstack.files.processors import usable_processors
from lightstack.files.read.takes import FoundReading
from lightstack.jobs.spread.pieces import Spread, cut_frames
from lightstack.jobs.takes.ambient import Ambient
from lightstack.jobs.takes.footage import FittedTake
from lightstack.records import CodedFrame, Progress, Registration

HOT_REACH = 3  # rows above and below that a hot pixel and the ring around it reach


@dataclass(frozen=True, slots=True)
class StillPlan:
    """How one key frame becomes a lamp still.

    ``covered``: (h, w) blocker flags at small size; ``factor``: small to full size. ``drift``: (3,) gains
    to divide out. ``gain``: (3,) evening, trim and gel. ``marks``: (H, W) int8, +1 blocked and -1 cleared by
    hand, 0 as found.
    """

    index: int
    covered: NDArray[np.uint8]
    factor: int
    drift: NDArray[np.float64] | None = None
    gain: NDArray[np.float32] = field(default_factory=lambda: np.ones(3, np.float32))
    marks: NDArray[np.int8] | None = None


class StillRows:
    """One decoded key frame on its way to a lamp still, band of rows by band of rows.

    A frame that is not resampled is decoded as its rows are asked for: no picture of the whole is made.
    """

    def __init__(
        self,
        fitted: FittedTake,
        frame: CodedFrame,
        plan: StillPlan,
        *,
        registration: Registration,
        ambient: Ambient,
        hot: NDArray[np.bool_],
    ) -> None:
        self._fitted, self._frame, self._ambient, self._hot = fitted, frame, ambient, hot
        matrix = registration.stretch_at(frame.number).matrix
        inside = None if ambient.whole else ambient.inside
        self._picture: NDArray[np.float32] | None = None
        if not (fitted.reads_rows(frame) and np.array_equal(matrix, np.eye(3))):
            picture = repair_pixels(fitted.linear(frame), hot)
            self._picture, seen = warp_picture(picture, matrix)
            inside = seen & ambient.inside
        self._valid = find_validity(plan, fitted.size, inside)
        self._hot_rows = np.asarray(hot.any(axis=1))
        drift = np.ones(3) if plan.drift is None else np.asarray(plan.drift)
        self._share = (1 / drift.astype(np.float32)).astype(np.float32)
        self._gain = plan.gain
        self._light: NDArray[np.float32] | None = None

    def read(self, rows: slice) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        """Return light (rows, W, 3) and validity (rows, W), None where all of it is valid; the next call reuses it."""
        picture = self._read_picture(rows) if self._picture is None else self._picture[rows]
        if self._light is None or len(self._light) < len(picture):
            self._light = np.empty(picture.shape, np.float32)
        light = self._light[: len(picture)]
        take_apart(picture, self._ambient.light[rows], self._share, self._gain, light)
        return light, None if self._valid is None else self._valid[rows]

    def _read_picture(self, rows: slice) -> NDArray[np.float32]:
        height = len(self._hot)
        first, last = max(rows.start - HOT_REACH, 0), min(rows.stop + HOT_REACH, height)
        is_hot = self._hot_rows[first:last].any()
        if not is_hot:
            first, last = rows.start, rows.stop
        out = np.empty((last - first, self._hot.shape[1], 3), np.float32)
        picture = self._fitted.take.linear_rows(self._frame, first, last, out)
        if is_hot:
            picture = repair_pixels(picture, self._hot[first:last])
        return picture[rows.start - first : rows.stop - first]


def find_validity(
    plan: StillPlan, size: tuple[int, int], inside: NDArray[np.bool_] | None
) -> NDArray[np.float32] | None:
    """Return how far each pixel of a still may be believed, (H, W) 0..1; None where all may be.

    ``inside``: (H, W) where registration saw the set; None everywhere.
    """
    if inside is None and plan.marks is None and not ((plan.covered & CLOSED) > 0).any():
        return None
    unblocked = refine_blockers(plan.covered, size, factor=plan.factor)
    if plan.marks is not None:
        unblocked = np.where(plan.marks > 0, 0, np.where(plan.marks < 0, 1, unblocked)).astype(np.float32)
    return unblocked if inside is None else combine_validity(unblocked, inside)


@dataclass(frozen=True, slots=True, eq=False)
class StillsJob:
    """What lamp stills are made of, and where they go; see `fill_stack`."""

    fitted: FittedTake
    plans: dict[int, StillPlan]
    stack: LightStack
    registration: Registration
    ambient: Ambient
    recipe: GuideRecipe
    hot: NDArray[np.bool_]

    def write(self, frame: CodedFrame) -> None:
        """Make one still and store it."""
        plan, stack = self.plans[frame.number], self.stack
        still = StillRows(
            self.fitted, frame, plan, registration=self.registration, ambient=self.ambient, hot=self.hot
        )
        guide = GuideMaker(self.fitted.size, self.recipe)
        for band in range(stack.shape.bands):
            rows = stack.rows_of(band)
            light, valid = still.read(rows)
            guide.add(rows.start, light, self.ambient.light[rows], valid)
            stack.write_light(band, plan.index, light, valid)
        stack.write_guide(plan.index, guide.finish())


def fill_stack(
    fitted: FittedTake,
    plans: dict[int, StillPlan],
    stack: LightStack,
    *,
    registration: Registration,
    ambient: Ambient,
    recipe: GuideRecipe,
    hot: NDArray[np.bool_],
    threads: int = 0,
    spread: Spread | None = None,
    progress: Progress,
) -> None:
    """Decode the key frames in ``plans`` (source frame -> plan) once and store their stills.

    ``spread``: who makes them elsewhere, each reading the take for itself.

    Notes
    -----
    Stills are independent, so they are made in parallel; at most one more than ``threads`` wait in memory.
    """
    job = StillsJob(fitted, plans, stack, registration, ambient, recipe, hot)
    with progress.step(f"lamp stills of {fitted.take.info.name}", len(plans)) as step:
        if spread is None:
            for _ in run_ahead(job.write, fitted.take.read_frames(sorted(plans)), threads or usable_processors()):
                step.advance()
        else:
            for count in fill_elsewhere(job, spread):
                step.advance(count)
    stack.flush()


def fill_elsewhere(job: StillsJob, spread: Spread) -> Iterator[int]:
    """Have stills made by others, and give how many each piece was."""
    take = job.fitted.take
    pieces = cut_frames(sorted(job.plans), take.list_sync(), spread.hands)
    before: int | None = None
    for piece, found in zip(pieces, spread.run(write_stills, job, pieces), strict=True):
        take.add_found(found, again=0 if before is None else take.count_again(before, piece[0]))
        before = piece[-1]
        yield len(piece)
    job.stack.open()


def write_stills(job: StillsJob, numbers: Sequence[int]) -> FoundReading:
    """Make some of a job's stills and store them for good."""
    with job.fitted.take.opened_again() as take:
        own = replace(job, fitted=replace(job.fitted, take=take))
        for frame in take.read_frames(numbers):
            own.write(frame)
        job.stack.sync()
        return take.found()


def run_ahead(work: Callable[[CodedFrame], None], items: Iterator[CodedFrame], workers: int) -> Iterator[None]:
    """Run ``work`` over items in threads, never more than ``workers`` + 1 of them taken at a time."""
    waiting: deque[Future[None]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
