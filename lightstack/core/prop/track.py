"""Which of what stands before the set is the thing that was tossed, and from which frame on no hand touches it.

Whatever reaches in from the picture's border is the hand (with its arm, and with the thing while it is held). The thing
is what moves free of the border; it is followed through the take as a whole, so that specks do not lead astray.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.cut import edge_weights, part_picture
from lightstack.core.matte.matte import find_box
from lightstack.core.prop.signs import KnownSet, Signs, open_mask
from lightstack.records import BoolArray

__all__ = ["Blob", "Followed", "find_blobs", "follow_prop", "part_thing"]

LEAST_PIXELS = 9
HAND_SHARE = 3e-4  # of the picture: what smaller touches the border is no hand
FURNITURE = 0.95  # share of the frames in which a place differs: it stood there all the time
JUMP = 0.12  # of the diagonal: a usual step from frame to frame
APPEAR = 0.7  # cost of appearing or vanishing, in frames
MOST_BLOBS = 8
SHADY, ROUND = -1.0, 24  # score below which a place is surely a shadow; how far round a blob that is kept, pixels
LEAST_WAY = 0.35  # of its size: what moves less does not move


@dataclass(frozen=True, slots=True, eq=False)
class Blob:
    """A connected part of a picture of ``size`` (h, w); its ``piece`` (rows, columns) lies at ``corner`` (top, left).

    ``area`` in pixels, ``centre`` (2,) x and y with pixel centres at .5, whether it touches the ``border``, how much
    ``weight`` of evidence it has, and what round it is ``shady``.
    """

    piece: BoolArray
    corner: tuple[int, int]
    size: tuple[int, int]
    area: int
    centre: NDArray[np.float64]
    border: bool
    weight: float
    shady: BoolArray
    shady_corner: tuple[int, int]

    @property
    def shade(self) -> BoolArray:
        """Where what lies round it surely is a shadow, (h, w) bool."""
        whole = np.zeros(self.size, bool)
        (top, left), (high, wide) = self.shady_corner, self.shady.shape
        whole[top : top + high, left : left + wide] = self.shady
        return whole

    @property
    def box(self) -> tuple[slice, slice]:
        """The rows and columns that hold it."""
        (top, left), (high, wide) = self.corner, self.piece.shape
        return slice(top, top + high), slice(left, left + wide)

    @property
    def mask(self) -> BoolArray:
        """The part in the whole picture, (h, w) bool."""
        whole = np.zeros(self.size, bool)
        whole[self.box] = self.piece
        return whole


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """What was followed, frame by frame: the thing's blob or None, and the blobs of a hand.

    ``held``: a hand was in the picture before it was free. ``first``, ``last``: indices between which it is seen.
    """

    prop: tuple[Blob | None, ...]
    hand: tuple[tuple[Blob, ...], ...]
    held: bool
    first: int
    last: int


def part_thing(signs: Signs, known: KnownSet, *, cut: BoolArray | None = None) -> BoolArray:
    """Part what stands in front from set and shadow, (h, w) bool. ``cut``: (h, w) where nothing counts."""
    differs = signs.differs if cut is None else signs.differs & ~cut
    box = find_box(differs, margin=6)
    mask = np.zeros(differs.shape, bool)
    if box is None:
        return mask
    score = np.where(differs, signs.score, -3)[box].astype(np.float32)
    sigma = np.sqrt((known.variance[box] / np.maximum(known.light[box], 0.01) ** 2).mean(-1)).astype(np.float32)
    across, down = edge_weights(signs.logs[box], signs.ratio[box], sigma)
    mask[box] = fill_small(part_picture(score, across, down) > 0.5)
    return mask if cut is None else mask & ~cut


def fill_small(mask: BoolArray) -> BoolArray:
    """Fill closed holes smaller than a quarter of what surrounds them."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - mask.astype(np.uint8), connectivity=4)
    height, width = mask.shape
    left, top, wide, high, area = stats.T
    closed = (left > 0) & (top > 0) & (left + wide < width) & (top + high < height)
    fill = closed & (area <= max(4, 0.25 * float(mask.sum())))
    fill[0] = False
    return np.asarray(mask | fill[labels]) if count > 1 else mask


def find_blobs(mask: BoolArray, signs: Signs) -> list[Blob]:
    """Return a mask's connected parts, those with most evidence first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    shady = open_mask(signs.differs & (signs.score < SHADY) & ~mask)
    blobs = []
    for k in range(1, count):
        left, top, wide, high, area = (int(v) for v in stats[k])
        if area < LEAST_PIXELS:
            continue
        box = slice(top, top + high), slice(left, left + wide)
        part = labels[box] == k
        rows, columns = np.nonzero(part)
        border = left == 0 or top == 0 or left + wide == mask.shape[1] or top + high == mask.shape[0]
        centre = np.array([left + columns.mean() + 0.5, top + rows.mean() + 0.5])
        weight = float(np.minimum(signs.distance[box][part], 30).sum())
        shape = (mask.shape[0], mask.shape[1])
        corner = max(0, top - ROUND), max(0, left - ROUND)
        near = shady[corner[0] : top + high + ROUND, corner[1] : left + wide + ROUND].copy()
        blobs.append(Blob(part, (top, left), shape, area, centre, border, weight, near, corner))
    return sorted(blobs, key=lambda blob: -blob.weight)[:MOST_BLOBS]


def follow_prop(blobs: Sequence[Sequence[Blob]], size: tuple[int, int]) -> Followed | None:
    """Follow the thing through frames; None where nothing that moves is ever free of the border."""
    standing = share_of_frames(blobs, size)
    free = [[b for b in one if not b.border and not stands_still(b, standing, len(blobs))] for one in blobs]
    chosen = best_way(free, float(np.hypot(*size)))
    seen = [k for k, one in enumerate(chosen) if one is not None]
    if not seen or not moves([chosen[k] for k in seen]):  # type: ignore[misc]
        return None
    for backwards in (False, True):
        chosen = reach_border(chosen, blobs, backwards=backwards)
    hands = tuple(hand_of(one, prop, size) for one, prop in zip(blobs, chosen, strict=True))
    seen = [k for k, one in enumerate(chosen) if one is not None]
    held = any(hands[k] for k in range(seen[0]))
    return Followed(tuple(chosen), hands, held, seen[0], seen[-1])


def share_of_frames(blobs: Sequence[Sequence[Blob]], size: tuple[int, int]) -> NDArray[np.float32]:
    """Return in what share of the frames anything stands at each place, (h, w)."""
    total = np.zeros(size, np.float32)
    for one in blobs:
        for blob in one:
            total[blob.box] += blob.piece
    return total / np.float32(max(1, len(blobs)))


def stands_still(blob: Blob, standing: NDArray[np.float32], frames: int) -> bool:
    """Tell whether a blob stands there in all frames."""
    return frames >= 6 and float(standing[blob.box][blob.piece].mean()) > FURNITURE


def moves(way: Sequence[Blob]) -> bool:
    """Tell whether what was followed gets anywhere."""
    centres = np.array([blob.centre for blob in way])
    size = np.sqrt(np.median([blob.area for blob in way]))
    return bool(np.ptp(centres, axis=0).max() > max(2.0, LEAST_WAY * size))


def best_way(free: Sequence[Sequence[Blob]], diagonal: float) -> list[Blob | None]:
    """Return one blob or None a frame, so that evidence is most and steps and changes of size are least.

    A shortest-way search (Viterbi): every frame's blobs and "nothing" are its states.
    """
    weights = [blob.weight for one in free for blob in one]
    if not weights:
        return [None] * len(free)
    usual = float(np.quantile(weights, 0.8))
    best: list[NDArray[np.float64]] = []
    came: list[NDArray[np.intp]] = []
    for k, one in enumerate(free):
        reward = np.array([min(1.0, blob.weight / usual) for blob in one] + [0.0])
        if k == 0:
            best.append(reward)
            continue
        costs = np.array([[step_cost(a, b, diagonal) for a in [*free[k - 1], None]] for b in [*one, None]])
        total = best[-1][None] - costs
        came.append(total.argmax(axis=1))
        best.append(total.max(axis=1) + reward)
    state = int(best[-1].argmax())
    states = [state]
    for back in reversed(came):
        state = int(back[state])
        states.append(state)
    return [one[s] if s < len(one) else None for one, s in zip(free, reversed(states), strict=True)]


def step_cost(before: Blob | None, now: Blob | None, diagonal: float) -> float:
    """Return the cost of going from one state to the next."""
    if before is None or now is None:
        return 0.0 if before is now else APPEAR
    step = float(np.hypot(*(now.centre - before.centre))) / (JUMP * diagonal)
    return step**2 + 0.3 * float(np.log(now.area / before.area)) ** 2


def reach_border(
    chosen: Sequence[Blob | None], blobs: Sequence[Sequence[Blob]], *, backwards: bool
) -> list[Blob | None]:
    """Follow the thing on where it enters or leaves the picture by itself: of its size, where it was bound to be."""
    way = list(chosen)[::-1] if backwards else list(chosen)
    frames = list(blobs)[::-1] if backwards else list(blobs)
    last = max(k for k, one in enumerate(way) if one is not None)
    usual = float(np.median([one.area for one in way if one is not None]))
    for k in range(last + 1, len(way)):
        one, before = way[k - 1], way[k - 2] if k > 1 else None
        if one is None or before is None:
            break
        step = one.centre - before.centre
        near = [
            blob
            for blob in frames[k]
            if blob.border
            and blob.area < 1.4 * usual
            and np.hypot(*(blob.centre - one.centre - step)) < 0.5 * np.hypot(*step) + np.sqrt(usual)
        ]
        if not near or np.hypot(*step) < 1:
            break
        way[k] = near[0]
    return way[::-1] if backwards else way


def hand_of(blobs: Sequence[Blob], prop: Blob | None, size: tuple[int, int]) -> tuple[Blob, ...]:
    """Return what reaches in from the border."""
    least = HAND_SHARE * size[0] * size[1]
    return tuple(blob for blob in blobs if blob.border and blob is not prop and blob.area > least)
