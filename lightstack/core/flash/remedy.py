"""What would pass: the largest mix, the largest swing or the highest speed, looked for by checking again.

The frames round a failure are kept small; whatever is found has been checked on them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from lightstack.core.flash.flash import FlashWatch
from lightstack.core.flash.rules import AREA_LIMIT, RULES
from lightstack.records import FlashSpan

__all__ = ["FrameKeeper", "KeptFrame", "even_out", "find_largest", "fit_limit", "stays_within"]

KEPT_ROUND = Fraction(3, 2)  # seconds kept before and after a frame that fails
MOST_KEPT = 480  # frames, so that memory does not grow with the footage
STRICTER = 0.9  # of the area that is allowed, so that what passes small passes in full
STEPS = 100  # answers are whole percents
PULL_HALF = Fraction(1, 2)  # seconds before and after a frame that its mean is taken over

HalfArray = NDArray[np.float16]


@dataclass(frozen=True, slots=True, eq=False)
class KeptFrame:
    """A frame kept small, (h, w, c) half floats: what a screen shows, or the hero with the light beside it."""

    number: int
    seconds: Fraction
    piece: HalfArray


@dataclass(slots=True)
class FrameKeeper:
    """Keeps the frames round those that fail, in runs without gaps.

    ``full``: there was no room for all of them; ``count`` is how many are kept.
    """

    runs: list[list[KeptFrame]] = field(default_factory=list)
    full: bool = False
    _before: deque[KeptFrame] = field(default_factory=deque)
    _until: Fraction | None = None
    count: int = 0

    def add(self, frame: KeptFrame, *, fails: bool) -> None:
        """Take the next frame."""
        if self.full:
            return
        self._before.append(frame)
        if fails:
            if self._until is None:
                self.runs.append([])
            self._until = frame.seconds + KEPT_ROUND
        if self._until is not None and frame.seconds <= self._until:
            self.count += len(self._before)
            self.runs[-1] += self._before
            self._before.clear()
            self.full = self.count >= MOST_KEPT
            return
        self._until = None
        while self._before and self._before[0].seconds < frame.seconds - KEPT_ROUND:
            self._before.popleft()


def stays_within(
    runs: Iterable[Iterable[tuple[Fraction, NDArray[np.float32]]]],
    *,
    peak: float,
    limit: float = AREA_LIMIT,
    speed: float = 1.0,
) -> bool:
    """Tell whether no rule is broken in runs of (seconds, cells (h, w, 4)) that are shown at ``speed``.

    ``limit``: share of a rule's area, see `fit_limit`.
    """
    for run in runs:
        watch = FlashWatch(peak=peak, second=Fraction(round(speed * 1000), 1000), limit=limit, pictures=False)
        if any(watch.add(k, seconds, cells) for k, (seconds, cells) in enumerate(run)):
            return False
    return True


def fit_limit(
    runs: Iterable[Iterable[tuple[Fraction, NDArray[np.float32]]]], worst: FlashSpan, *, peak: float
) -> float:
    """Return the limit of area at which small frames are judged as strictly as full ones, and a tenth more so.

    ``worst``: the rule that is broken over the largest area of the full frames. Small frames show light averaged over
    more of the picture, so less of it swings far enough; what they show is held against that.
    """
    column = [rule.name for rule in RULES].index(worst.rule)
    most = 0.0
    for run in runs:
        watch = FlashWatch(peak=peak, pictures=False)
        for k, (seconds, cells) in enumerate(run):
            watch.add(k, seconds, cells)
        most = max(most, float(watch.tabulate().areas[:, column].max(initial=0.0)))
    return AREA_LIMIT * min(1.0, most / worst.area) * STRICTER


def find_largest(passes: Callable[[float], bool]) -> float | None:
    """Return the largest share in whole percents, below 1, that ``passes``; None where nothing above 0 does.

    Notes: by halving, and what is returned has passed itself. Where sharing less does not always pass more easily, a
    larger one may exist.
    """
    low, high = 0, STEPS
    while high - low > 1:
        middle = (low + high) // 2
        if passes(middle / STEPS):
            low = middle
        else:
            high = middle
    return low / STEPS if low else None


def even_out(run: Sequence[KeptFrame], share: float) -> Iterator[tuple[Fraction, NDArray[np.float32]]]:
    """Give a run's frames with every place pulled towards its mean over the second around it, to ``share`` of its
    distance from that."""
    total = np.zeros(run[0].piece.shape, np.float64)
    first = last = 0
    for frame in run:
        while last < len(run) and run[last].seconds < frame.seconds + PULL_HALF:
            total += run[last].piece
            last += 1
        while run[first].seconds < frame.seconds - PULL_HALF:
            total -= run[first].piece
            first += 1
        mean = (total / (last - first)).astype(np.float32)
        yield frame.seconds, np.maximum(mean + np.float32(share) * (frame.piece.astype(np.float32) - mean), 0)
