"""Where labels go so that none covers another."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

Box = tuple[float, float, float, float]  # left, bottom, right, top


def spread_labels(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move label centres apart by as little as possible (least squares), in order, inside low..high.

    ``wanted``: rising positions. ``gap``: least distance between neighbours, in the same unit. Where they
    cannot all fit, the gap shrinks to what does.

    Notes
    -----
    With the gaps subtracted the problem is isotonic regression; pooling neighbours that break the order
    solves it exactly, and clipping to the remaining range keeps it optimal.
    """
    count = len(wanted)
    if count == 0:
        return []
    gap = min(gap, (high - low) / count)
    blocks: list[tuple[float, int]] = []  # (sum, count) of pooled positions
    for index, position in enumerate(wanted):
        total, members = position - index * gap, 1
        while blocks and blocks[-1][0] / blocks[-1][1] > total / members:
            before = blocks.pop()
            total, members = total + before[0], members + before[1]
        blocks.append((total, members))
    flat = [total / members for total, members in blocks for _ in range(members)]
    floor, ceiling = low + gap / 2, high - gap / 2 - (count - 1) * gap
    return [min(max(value, floor), ceiling) + index * gap for index, value in enumerate(flat)]


def place_beside(
    points: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    *,
    gap: float,
    taken: Iterable[Box] = (),
    within: Box,
    needed: int = 0,
) -> list[Box | None]:
    """Choose a box beside each point so that none covers another, or what is taken; None where there is no room.

    ``points``: x and y, y up. ``sizes``: width and height of each label, all in one unit. ``gap``: between a point and
    its label. ``within``: where labels may be. Earlier points choose first, right of themselves where that is free;
    the first ``needed`` rather cover what is taken than to be left out.
    """
    other, placed = list(taken), list[Box]()
    found: list[Box | None] = []
    for (x, y), (width, height) in zip(points, sizes, strict=True):
        right, left, middle = x + gap, x - gap - width, x - width / 2
        over, under, beside = y + gap, y - gap - height, y - height / 2
        corners = (
            (right, over), (right, under), (left, over), (left, under),
            (right, beside), (left, beside), (middle, over), (middle, under),
        )  # fmt: skip
        boxes = [(a, b, a + width, b + height) for a, b in corners]
        apart = [box for box in boxes if _holds(within, box) and not any(_cover(box, one) for one in placed)]
        free = [box for box in apart if not any(_cover(box, one) for one in other)]
        chosen = next(iter(free or (apart if len(found) < needed else ())), None)
        found.append(chosen)
        if chosen is not None:
            placed.append(chosen)
    return found


def _holds(outer: Box, box: Box) -> bool:
    return outer[0] <= box[0] and outer[1] <= box[1] and box[2] <= outer[2] and box[3] <= outer[3]


def _cover(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def fit_labels(ranks: Sequence[int], room: float, *, levels: int = 3) -> list[int]:
    """Choose which labels to write: all, or the best-ranked that fit in ``levels`` rows of ``room`` each.

    Returns indices into ``ranks`` (1 or 0 is best), in the order given.
    """
    most = max(1, math.floor(room) * levels)
    best = sorted(range(len(ranks)), key=lambda index: (ranks[index], index))[:most]
    return sorted(best)
