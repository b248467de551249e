"""Where a clean plate may not show the set: holes, ghosts that a median keeps, and whoever never leaves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean.choice import close_outlines, list_places
from lightstack.core.clean.longest_rest import RestPicture, find_patches, mark_seen
from lightstack.jobs.clean.look import Material, Moments
from lightstack.records import BoolArray, Hole

__all__ = ["NAMED_SHARE", "Doubts", "enlarge", "find_doubts", "keep_bodies", "name_doubts"]

UNSURE_SHARE = 0.5  # a median needs the set in more than half of its frames
NAMED_SHARE = 5e-4  # of the picture: smaller places are not named
SPECK_PX = 13  # small pixels, with the rim of a mask: what is narrower is a speck and no body
CENTRE_REACH = 2  # small pixels round a place's centre over which its cover is read


@dataclass(frozen=True, slots=True)
class Doubts:
    """At small size: ``doubtful`` (h, w) where the plate may show somebody in place of the set; ``covered`` (h, w)
    0..1, in which share of the frames used a place does not show its longest rest; ``stays`` (h, w) where somebody
    moves but never leaves."""

    doubtful: BoolArray
    covered: NDArray[np.float32]
    stays: BoolArray


def find_doubts(
    method: str,
    picture: NDArray[np.float32],
    rest: RestPicture,
    moments: Moments,
    material: Sequence[Material],
    chosen: Sequence[tuple[int, int]],
) -> Doubts:
    """Tell where a reduced picture (h, w, 3) may show somebody in place of the set.

    Where the longest rest shows something else over more than specks; for a median where fewer than half of its frames
    show what it shows; with masks where no chosen frame shows the longest rest.
    """
    shown, agreed, any_shown = np.zeros((3, *picture.shape[:2]), np.float32)
    for t, k in chosen:
        frame = material[t].picture(k)
        shown += mark_seen(frame, rest.light, moments.noise, rim=0)
        if method == "median":
            agreed += mark_seen(frame, picture, moments.noise, rim=0)
        elif method == "longest_rest":
            any_shown += ~keep_bodies(~mark_seen(frame, rest.light, moments.noise, rim=1))
    doubtful = np.zeros(picture.shape[:2], bool)
    if method == "longest_rest":
        doubtful = drop_specks(any_shown == 0)
    else:
        for patch in find_patches(picture, rest.light, moments.noise):
            doubtful |= patch
        if method == "median":
            doubtful |= drop_specks(agreed < UNSURE_SHARE * len(chosen))
    return Doubts(doubtful, 1 - shown / len(chosen), close_outlines(rest.restless))


def drop_specks(mask: BoolArray) -> BoolArray:
    """Leave out of a mask (h, w) whatever is narrower than three pixels."""
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)


def keep_bodies(mask: BoolArray) -> BoolArray:
    """Leave out of a mask (h, w) of what a frame covers all that is too narrow for a body: the longest rest shows
    something there that no frame does, and the frame is trusted where it shows the set all round."""
    kernel = np.ones((SPECK_PX, SPECK_PX), np.uint8)
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel) > 0)


def enlarge(mask: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Bring a small picture (h, w) to full size (H, W), linearly; the rest at right and bottom repeats its edge."""
    factor = max(1, size[1] // mask.shape[1])
    rows, columns = mask.shape[0] * factor, mask.shape[1] * factor
    grown = cv2.resize(mask, (columns, rows), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.pad(grown, ((0, max(0, size[0] - rows)), (0, max(0, size[1] - columns))), mode="edge"))


def name_doubts(holes: BoolArray, doubts: Doubts) -> tuple[tuple[Hole, ...], tuple[float, ...], tuple[Hole, ...]]:
    """List holes (H, W), in which share of the frames used each is covered, and where somebody never leaves.

    Notes: a hole within the reach of somebody who never leaves is his, and is not listed a second time. Centres count
    in pixels of the full picture.
    """
    factor = max(1, holes.shape[1] // doubts.stays.shape[1])
    staying = tuple(
        replace(one, x=one.x * factor, y=one.y * factor)
        for one in list_places(doubts.stays, least_share=NAMED_SHARE)
    )
    found: list[Hole] = []
    covered: list[float] = []
    for one in list_places(holes, least_share=NAMED_SHARE):
        part = around(doubts.stays.shape, int(one.y / factor), int(one.x / factor))
        if doubts.stays[part].mean() <= 0.5:
            found.append(replace(one, number=len(found) + 1))
            covered.append(float(np.median(doubts.covered[part])))
    return tuple(found), tuple(covered), staying


def around(shape: tuple[int, ...], y: int, x: int) -> tuple[slice, slice]:
    """Return the rows and columns round a pixel of a small picture, at least one of each."""
    y, x = min(y, shape[0] - 1), min(x, shape[1] - 1)
    return (
        slice(max(y - CENTRE_REACH, 0), y + CENTRE_REACH + 1),
        slice(max(x - CENTRE_REACH, 0), x + CENTRE_REACH + 1),
    )
