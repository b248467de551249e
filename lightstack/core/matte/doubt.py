"""Where a matte cannot be known, and which frames need hands most."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray

__all__ = ["find_doubt", "find_second_pieces", "find_unexplained", "list_hand_work", "pick_hanging", "rate_hand_work"]

SWING = 0.8  # log-odds by which all evidence is leaned either way
WEAK, PART = 0.3, 0.03  # of what the strongest tenth says; of the picture's diagonal, what is looked at together
BESIDE, CHANGED, AGAINST = 0.08, 2.0, -2.5  # of the picture's diagonal; sigma; log-odds
HULL, HIDDEN, ALIKE = 0.05, -3.0, -2.5  # of the picture's diagonal; log-odds, in the hull and beside it
TOUCHES, CLAIM = 0.7, 2.5  # of the root of its area; of the figure's own
NECK, SECOND = 0.005, 0.7  # of the picture's diagonal; of the main piece's mean strength
UNSEEN = 0.5  # own evidence below which a figure's inside was filled rather than seen


def find_doubt(
    leaning: tuple[FloatArray, FloatArray],
    figure: BoolArray,
    score: FloatArray,
    *,
    unexplained: BoolArray | None = None,
    least_area: int = 12,
) -> NDArray[np.float32]:
    """Give the doubt about a parting, (h, w) 0..1.

    ``leaning``: partings 0..1 with all evidence leaned towards the set and towards the figure: where they differ
    nothing but the lean decided. ``figure``: the parting taken. ``score``: own evidence of every pixel; where the
    figure's inside speaks for the set, it was filled from around; where it says far less than elsewhere, it may be no
    figure. ``unexplained``: (h, w) what else is doubtful, see `find_unexplained` and `find_second_pieces`.
    """
    unclear = np.zeros(figure.shape, bool) if unexplained is None else unexplained
    swing = np.abs(np.asarray(leaning[1]) - np.asarray(leaning[0]))
    unseen = (figure & ((np.asarray(score) < UNSEEN) | find_weak(figure, score))).astype(np.uint8)
    unseen = cv2.morphologyEx(unseen, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    torn = ((swing > 0.5) | unclear).astype(np.uint8)
    # beside an outline half a pixel's lean is no doubt
    torn = cv2.morphologyEx(torn, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    known = _drop_small(torn | unseen, least_area).astype(np.float32)
    return np.asarray(np.clip(cv2.blur(known, (3, 3)), 0, 1), np.float32)


def find_unexplained(
    figure: BoolArray, score: FloatArray, mismatch: FloatArray, shows_set: FloatArray
) -> BoolArray:
    """Places beside or inside a figure that may be its, though they were not counted as it, (h, w) bool.

    ``mismatch``: (h, w) distance from the set as lit, in sigma; ``shows_set``: (h, w) 0..1, the set's texture is seen.
    What is not the set as lit, with nothing that shows a shadow there; and what lies in a figure's hull, or hangs on
    it, and looks like the set, where noise or want of texture leave little to tell that.
    """
    if not figure.any():
        return np.zeros(figure.shape, bool)
    changed, seen, told = (
        cv2.blur(np.asarray(part, np.float32), (5, 5)) for part in (mismatch, shows_set, score)
    )
    reach = max(5, round(BESIDE * float(np.hypot(*figure.shape))))
    near = cv2.dilate(figure.astype(np.uint8), disc(reach)) > 0
    odd = near & (seen < 0.5) & (changed > CHANGED) & (told > AGAINST)
    hidden = find_hull(figure) & ((seen < 0.5) | (changed < CHANGED)) & (told > HIDDEN)
    found = (odd | hidden) & ~figure
    alike = (near & (changed < CHANGED) & (told > ALIKE) & ~figure).astype(np.uint8)
    alike = cv2.morphologyEx(alike, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return np.asarray(found | pick_hanging(figure | found, alike > 0))


def pick_hanging(figure: BoolArray, parts: BoolArray) -> BoolArray:
    """Those of ``parts`` (h, w) that hang on a figure: no larger than it may be, and broadly joined to it."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(parts.astype(np.uint8))
    touching = np.bincount(labels[cv2.dilate(figure.astype(np.uint8), disc(2)) > 0], minlength=count)
    area = stats[:, cv2.CC_STAT_AREA]
    keep = (touching >= TOUCHES * np.sqrt(area)) & (area <= CLAIM * max(int(figure.sum()), 1))
    keep[0] = False
    return np.asarray(keep[labels])


def find_hull(figure: BoolArray) -> BoolArray:
    """A figure with its bays closed, (h, w) bool; the picture's border counts as more of it."""
    side = max(5, round(HULL * float(np.hypot(*figure.shape))))
    padded = cv2.copyMakeBorder(figure.astype(np.uint8), side, side, side, side, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.morphologyEx(padded, cv2.MORPH_CLOSE, disc(side))[side:-side, side:-side] > 0)


def find_second_pieces(figure: BoolArray, strength: FloatArray, band: BoolArray) -> BoolArray:
    """Pieces that hardly hang together with the main one and look far less unlike the set, (h, w) bool.

    ``strength``: (h, w) what the colours alone say; ``band``: (h, w) edges, doubtful with the piece they bound. So
    looks a mirror's picture of somebody, or a shadow that was taken for one.
    """
    side = max(1, round(NECK * float(np.hypot(*figure.shape))))
    cores = cv2.erode(figure.astype(np.uint8), disc(side))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(cores)
    if count < 3:
        return np.zeros(figure.shape, bool)
    told = np.bincount(labels.ravel(), np.asarray(strength, np.float64).ravel(), count)
    mean = told / np.maximum(stats[:, cv2.CC_STAT_AREA], 1)
    told[0] = -np.inf
    weak = mean < SECOND * mean[int(np.argmax(told))]
    weak[0] = False
    _, nearest = cv2.distanceTransformWithLabels(1 - cores, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    owner = np.zeros(int(nearest.max()) + 1, np.int32)
    owner[nearest[cores > 0]] = labels[cores > 0]
    return np.asarray(weak[owner[nearest]] & (figure | band))


def find_weak(figure: BoolArray, score: FloatArray) -> BoolArray:
    """Parts of a figure that speak for themselves far less than the rest does, (h, w) bool.

    A mirror's picture of somebody, or a deep shadow, is weaker than whoever throws it.
    """
    side = max(5, round(PART * float(np.hypot(*figure.shape)))) | 1
    mass = cv2.blur(figure.astype(np.float32), (side, side))
    local = cv2.blur(np.asarray(score, np.float32) * figure, (side, side)) / np.maximum(mass, 1e-3)
    if not figure.any():
        return np.zeros(figure.shape, bool)
    return np.asarray(figure & (local < WEAK * np.quantile(local[figure], 0.9)))


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
