"""A check for flashes that runs along with frames: every place followed, changes counted over a sliding second.

It holds what a place was at its last peak and valley, and one byte per place for every frame of a second, however
long the footage is.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from fractions import Fraction

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.display import display_srgb
from lightstack.core.compiled import run_bands
from lightstack.core.flash.kernels import TRACKS, count_places, fill_window, follow_light, follow_red, tally_changes
from lightstack.core.flash.rules import (
    AREA_LIMIT,
    CHANGES_ALLOWED,
    RULES,
    SCREEN_PEAK,
    FlashRule,
    window_cells,
)
from lightstack.core.flash.screen import describe_cells
from lightstack.records import FlashPlace, FlashSpan, FlashTable

__all__ = ["FlashWatch"]

SECOND = Fraction(1)
MOST_COUNTED = 60  # changes in a second that are told apart
AROUND_CELLS = 3  # cells of about a third of 0.1 degree: a place and its neighbours


class FlashWatch:
    """Checks frames one after the other.

    ``peak``: cd/m2 of the screen's white. ``second``: time over which changes are counted; to look at footage shown
    ``s`` times slower, a second of its own is 1 / s. ``limit``: share of a rule's area. ``pictures``: keep the frame of
    each rule's largest area.

    Notes
    -----
    A change is counted at the frame at which it has become large enough. A change lies within the second that ends
    with a frame where it came less than a second before it, so 25 frames at 25 frames/s and 24 at 24000/1001 are one.
    More than six changes fail, that is flashing at more than 3 Hz. BT.1702 accepts flashes whose leading edges are
    9 frames and more apart at 25 frames/s: such never are four within a second.
    """

    def __init__(
        self,
        *,
        peak: float = SCREEN_PEAK,
        second: Fraction = SECOND,
        limit: float = AREA_LIMIT,
        pictures: bool = True,
    ) -> None:
        self._peak, self._second, self._limit, self._pictures = peak, second, limit, pictures
        self._state: _State | None = None
        self._frames: list[int] = []
        self._seconds: list[float] = []
        self._changes: list[list[int]] = []
        self._areas: list[list[float]] = []
        self._places: dict[str, FlashPlace] = {}
        self._spans: dict[str, list[FlashSpan]] = {rule.name: [] for rule in RULES}

    def add(self, number: int, seconds: Fraction, cells: NDArray[np.float32]) -> bool:
        """Look at the next frame, cells (h, w, 4) of `core.flash.screen.show_cells`; tell whether it breaks a rule."""
        looks = describe_cells(cells, self._peak)
        state = self._state = self._state or _State.begin(looks)
        state.follow(number, seconds, looks, self._second)
        changes, areas = [], []
        for rule in RULES:
            count, area, corner = state.judge(rule, self._limit)
            changes.append(count)
            areas.append(area)
            if area > self._limit:
                self._note(rule, number, count, area, corner, cells)
        self._frames.append(number)
        self._seconds.append(float(seconds))
        self._changes.append(changes)
        self._areas.append(areas)
        return max(areas) > self._limit

    @property
    def fails(self) -> bool:
        """Whether any frame so far broke a rule."""
        return any(self._spans.values())

    @property
    def spans(self) -> tuple[FlashSpan, ...]:
        """Where rules are broken, rule by rule."""
        return tuple(span for spans in self._spans.values() for span in spans)

    @property
    def places(self) -> tuple[FlashPlace, ...]:
        """The frame of each broken rule's largest area."""
        return tuple(self._places.values())

    def tabulate(self) -> FlashTable:
        """Return what every frame counted."""
        size = (len(self._frames), len(RULES))
        return FlashTable(
            tuple(rule.name for rule in RULES),
            np.array(self._frames, np.int64),
            np.array(self._seconds, np.float64),
            np.array(self._changes, np.int64).reshape(size),
            np.array(self._areas, np.float64).reshape(size),
        )

    def _note(
        self,
        rule: FlashRule,
        number: int,
        count: int,
        area: float,
        corner: tuple[int, int],
        cells: NDArray[np.float32],
    ) -> None:
        """Note a frame that breaks a rule: the span begins with the first frame of its second."""
        assert self._state is not None
        spans, first = self._spans[rule.name], self._state.first_frame
        if spans and first <= spans[-1].last + 1:
            known = spans.pop()
            spans.append(FlashSpan(rule.name, known.first, number, max(known.changes, count), max(known.area, area)))
        else:
            spans.append(FlashSpan(rule.name, first, number, count, area))
        known_place = self._places.get(rule.name)
        if self._pictures and (known_place is None or area > known_place.area):
            self._places[rule.name] = draw_place(rule, number, area, corner, cells, self._state.count(rule))


@dataclass(slots=True)
class _State:
    """What is remembered of every place (h, w)."""

    light: NDArray[np.float32]
    red: NDArray[np.float32]
    direction: NDArray[np.int8]
    counts: NDArray[np.int16]
    recent: deque[tuple[int, Fraction, NDArray[np.uint8]]] = field(default_factory=deque)

    @classmethod
    def begin(cls, looks: NDArray[np.float32]) -> _State:
        """Return the state before anything changed, the first frame both low and high."""
        shape, around = looks.shape[:2], average_around(looks)
        sources = [0, 3, 2, 1]
        light = np.stack([looks[..., sources], around[..., sources]], axis=-1)
        reds = [
            np.stack([looks[..., source], around[..., source], *(looks[..., k] for k in (3, 4, 5))], axis=-1)
            for source in (3, 2)
        ]
        return cls(
            np.concatenate([light, light], axis=-1),
            np.repeat(np.stack(reds, axis=2)[:, :, :, None], 2, axis=3),
            np.zeros((*shape, TRACKS), np.int8),
            np.zeros((TRACKS, *shape), np.int16),
        )

    @property
    def first_frame(self) -> int:
        """The first frame of the second that ends with the last one."""
        return self.recent[0][0]

    def follow(self, number: int, seconds: Fraction, looks: NDArray[np.float32], second: Fraction) -> None:
        """Follow every place by a frame and count what changed within the second that ends with it."""
        around = average_around(looks)
        bits = np.zeros(looks.shape[:2], np.uint8)
        rows, per_row = len(looks), looks.shape[1] * TRACKS
        run_bands(follow_light, rows, per_row, looks, around, self.light, self.direction, bits)
        run_bands(follow_red, rows, per_row, looks, around, self.red, self.direction, bits)
        while self.recent and self.recent[0][1] <= seconds - second:
            tally_changes(self.counts, self.recent.popleft()[2], -1)
        self.recent.append((number, seconds, bits))
        tally_changes(self.counts, bits, 1)

    def count(self, rule: FlashRule) -> NDArray[np.int16]:
        """Return the changes of every place that a rule counts, (h, w)."""
        first, *others = (self.counts[track] for track in rule.tracks)
        return np.maximum(first, others[0]) if others else first

    def judge(self, rule: FlashRule, share: float) -> tuple[int, float, tuple[int, int]]:
        """Return how many changes more than ``share`` of the rule's area had, and the share that had too many.

        Also the top and left of the window in which that is, in cells.
        """
        counts = self.count(rule)
        height, width = window_cells(counts.shape[:2]) if rule.local else counts.shape
        limit = share * height * width
        # places with at least 0, 1, 2 ... changes anywhere: no window holds more of them
        having = np.empty(MOST_COUNTED + 1, np.int64)
        count_places(counts, having)
        most = int(np.flatnonzero(having > limit)[-1])
        while rule.local and most > 0 and fill_window(counts, most, height, width)[0] <= limit:
            most -= 1
        beyond = CHANGES_ALLOWED + 1
        if not having[beyond]:
            return most, 0.0, (0, 0)
        inside, top, left = fill_window(counts, beyond, height, width)
        return most, inside / (height * width), (top, left)


def average_around(looks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the mean over every place and its neighbours, about 0.1 degree."""
    size = (AROUND_CELLS, AROUND_CELLS)
    return np.asarray(cv2.blur(looks, size, borderType=cv2.BORDER_REPLICATE), np.float32)


def draw_place(
    rule: FlashRule,
    number: int,
    area: float,
    corner: tuple[int, int],
    cells: NDArray[np.float32],
    counts: NDArray[np.int16],
) -> FlashPlace:
    """Return what is shown of a frame that breaks a rule."""
    shape = counts.shape
    height, width = window_cells((shape[0], shape[1])) if rule.local else shape
    return FlashPlace(
        rule.name,
        number,
        area,
        display_srgb(cells[..., :3]),
        counts > CHANGES_ALLOWED,
        (corner[1] / shape[1], corner[0] / shape[0], width / shape[1], height / shape[0]),
    )

