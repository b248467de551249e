"""Where labels go so that none covers another."""

from __future__ import annotations

import math
from collections.abc import Sequence


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


def fit_labels(ranks: Sequence[int], room: float, *, levels: int = 3) -> list[int]:
    """Choose which labels to write: all, or the best-ranked that fit in ``levels`` rows of ``room`` each.

    Returns indices into ``ranks`` (1 or 0 is best), in the order given.
    """
    most = max(1, math.floor(room) * levels)
    best = sorted(range(len(ranks)), key=lambda index: (ranks[index], index))[:most]
    return sorted(best)
