"""Where a matte cannot be known, and which frames need hands most."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray

__all__ = ["find_doubt", "list_hand_work", "rate_hand_work"]

SWING = 0.6  # log-odds by which all evidence is leaned either way
UNSEEN = 0.5  # own evidence below which a figure's inside was filled rather than seen


def find_doubt(
    leaning: tuple[FloatArray, FloatArray],
    figure: BoolArray,
    score: FloatArray,
    *,
    least_area: int = 12,
) -> NDArray[np.float32]:
    """Give the doubt about a parting, (h, w) 0..1.

    ``leaning``: partings 0..1 with all evidence leaned towards the set and towards the figure: where they differ
    nothing but the lean decided. ``figure``: the parting taken. ``score``: own evidence of every pixel; where the
    figure's inside speaks for the set, it was filled from around.
    """
    swing = np.abs(np.asarray(leaning[1]) - np.asarray(leaning[0]))
    unseen = (figure & (np.asarray(score) < UNSEEN)).astype(np.uint8)
    unseen = cv2.morphologyEx(unseen, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    torn = (swing > 0.5).astype(np.uint8)
    # beside an outline half a pixel's lean is no doubt
    torn = cv2.morphologyEx(torn, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    known = _drop_small(torn | unseen, least_area).astype(np.float32)
    return np.asarray(np.clip(cv2.blur(known, (3, 3)), 0, 1), np.float32)


def _drop_small(mask: NDArray[np.uint8], area: int) -> NDArray[np.uint8]:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask)
    keep = stats[:, cv2.CC_STAT_AREA] >= area
    keep[0] = False
    return keep[labels].astype(np.uint8) if count > 1 else np.zeros_like(mask)


def rate_hand_work(doubt: FloatArray, alpha: FloatArray) -> float:
    """How much of a frame waits for hands: doubtful area over the figure's own, 0 where nothing is doubtful.

    A frame in which nobody stands is rated by doubtful area over a thousandth of the picture.
    """
    figure = float(np.asarray(alpha, np.float64).sum())
    return float(np.asarray(doubt, np.float64).sum()) / max(figure, 1e-3 * np.size(alpha))


def list_hand_work(ratings: Sequence[float], *, first_frame: int, most: int = 12, apart: int = 3) -> list[int]:
    """List the frames that most need hands, worst first; of neighbours closer than ``apart`` only the worst."""
    chosen: list[int] = []
    for index in np.argsort(-np.asarray(ratings, np.float64), kind="stable"):
        if ratings[index] <= 0.01 or len(chosen) == most:
            break
        if all(abs(int(index) - other) >= apart for other in chosen):
            chosen.append(int(index))
    return [first_frame + index for index in chosen]
