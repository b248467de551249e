"""The second pass: key frames decoded at full size, taken apart and put into the light stack."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lightstack.core.blockers import refine_blockers
from lightstack.core.guide import GuideRecipe, make_guide
from lightstack.core.hot_pixels import repair_pixels
from lightstack.core.separate import combine_validity, separate_light
from lightstack.core.warp import warp_picture
from lightstack.files.stack import LightStack
from lightstack.jobs.ambient import Ambient
from lightstack.jobs.footage import FittedTake
from lightstack.records import CodedFrame, LampStill, Progress, Registration


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


def make_still(
    fitted: FittedTake,
    frame: CodedFrame,
    plan: StillPlan,
    *,
    registration: Registration,
    ambient: Ambient,
    hot: NDArray[np.bool_],
) -> LampStill:
    """Turn one decoded key frame into its lamp still, registered, ambient taken out."""
    picture = repair_pixels(fitted.linear(frame), hot)
    matrix = registration.stretch_at(frame.number).matrix
    picture, inside = warp_picture(picture, matrix)
    light = separate_light(picture, ambient.light, drift=plan.drift)
    unblocked = refine_blockers(plan.covered, fitted.size, factor=plan.factor)
    if plan.marks is not None:
        unblocked = np.where(plan.marks > 0, 0, np.where(plan.marks < 0, 1, unblocked)).astype(np.float32)
    valid = combine_validity(unblocked, inside & ambient.inside)
    if not np.all(plan.gain == 1):
        light *= plan.gain
    return LampStill(frame.number, light, valid)


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
    progress: Progress,
) -> None:
    """Decode the key frames in ``plans`` (source frame -> plan) once and store their stills.

    Notes
    -----
    Stills are independent, so they are made in parallel; at most one more than ``threads`` wait in memory.
    """

    def work(frame: CodedFrame) -> None:
        plan = plans[frame.number]
        still = make_still(fitted, frame, plan, registration=registration, ambient=ambient, hot=hot)
        guide = make_guide(still.light, ambient.light, recipe, valid=still.valid)
        stack.write_still(plan.index, still.light, still.valid, guide=guide)

    frames = fitted.take.read_frames(sorted(plans))
    with progress.step(f"lamp stills of {fitted.take.info.name}", len(plans)) as step:
        for _ in run_ahead(work, frames, threads or os.cpu_count() or 1):
            step.advance()
    stack.flush()


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
