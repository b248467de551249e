"""Which pixels of a sweep are covered by the lamp, its glow, or who carries it.

The lamp's reflections in the set are wanted and are kept; shadows are no cover. See ``core.sweep.evidence`` and
``core.sweep.recognition`` for what is measured, ``core.sweep.finder`` for how it is drawn together into a frame's mask.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.regions import disc
from lightstack.core.sweep.finder import (
    BLOCKED,
    CARRIER,
    CLOSED,
    COVERED,
    DRAFT_WIDTH,
    GLINT,
    GLOW,
    LAMP,
    RIM,
    SAMPLE_FRAMES,
    Finder,
    sample_places,
)
from lightstack.errors import SettingError
from lightstack.records import BoolArray, FloatArray, NoiseModel

WORKERS = 2  # threads; more gain little, as every frame waits for memory

__all__ = [
    "BLOCKED",
    "CARRIER",
    "CLOSED",
    "COVERED",
    "GLINT",
    "GLOW",
    "LAMP",
    "RIM",
    "find_blockers",
    "refine_blockers",
]


def find_blockers(
    light: NDArray,
    ambient: FloatArray,
    *,
    noise: NoiseModel,
    clipped: NDArray[np.uint8],
    lamp_on: BoolArray,
    glints: str = "keep",
) -> NDArray[np.uint8]:
    """Find what covers the set in every frame with the lamp on, ``(n, h, w)`` uint8 bit flags.

    Parameters
    ----------
    light: (n, h, w, 3) registered frames minus ambient at survey size, read frame by frame; NaN off the picture.
    ambient: (h, w, 3). noise: of a frame at this size.
    clipped: (n, h, w) bits 0/1/2, R/G/B at the ceiling. lamp_on: (n,).
    glints: "keep" or "one" leave reflections of the lamp open (flag GLINT only), "drop" blocks them too.

    Returns COVERED (ambient gone), LAMP, GLOW (the veil right round the lamp), CARRIER (lit, or inside the
    outline), GLINT, and RIM (next to what is covered, but no brighter than the place is in other frames). A
    pixel is blocked when ``flags & BLOCKED``; only ``flags & CLOSED`` must be kept out of a maximum.

    Raises SettingError for an unknown ``glints``.

    Notes: the set is learned from up to 96 frames, twice: a draft at half size takes figures out of what is
    learned. Memory is a few frames and up to 60 frames at 320 pixels across, whatever n is, plus the result.
    Misses who stands still before a plain wall lit like himself, and dark clothes where the ambient is under
    the noise (there the max of the frames does not care).
    """
    if glints not in ("keep", "one", "drop"):
        raise SettingError(f"glints = {glints!r} is unknown; expected keep, one or drop")
    shape = (len(light), *ambient.shape[:2])
    flags = np.zeros(shape, np.uint8)
    lit = np.flatnonzero(lamp_on)
    if len(lit) == 0:
        return flags
    # frames are found independently of each other, so threads change nothing but the time
    with ThreadPoolExecutor(WORKERS) as pool:
        draft = Finder(light, ambient, noise, clipped, lit, width=DRAFT_WIDTH)
        sample = [int(p) for p in sample_places(len(lit), SAMPLE_FRAMES)]
        covered = pool.map(lambda place: ((draft.find(place) & CLOSED) > 0).astype(np.uint8), sample)
        finder = Finder(light, ambient, noise, clipped, lit, draft=dict(zip(sample, covered, strict=True)))
        found = np.empty((len(lit), *finder.ambient.shape[:2]), np.uint8)
        for place, own in enumerate(pool.map(finder.find, range(len(lit)))):
            found[place] = own
        outlines = finder.learn_outlines(found)
        settled = pool.map(lambda place: finder.settle(place, found[place], outlines), range(len(lit)))
        for k, own in zip(lit, settled, strict=True):
            if glints == "drop":
                own = np.where(own & GLINT, own | LAMP, own).astype(np.uint8)
            flags[k] = _enlarge(own, finder.step, shape[1:])
    return flags


def _enlarge(flags: NDArray[np.uint8], step: int, shape: tuple[int, ...]) -> NDArray[np.uint8]:
    if step == 1:
        return flags
    return flags.repeat(step, axis=1).repeat(step, axis=0)[: shape[0], : shape[1]]


def refine_blockers(coarse: NDArray[np.uint8], size: tuple[int, int], *, factor: int) -> NDArray[np.float32]:
    """Turn one frame's flags into the validity of its full-size light, ``(H, W)`` float32 0..1.

    ``coarse``: (h, w) flags of ``find_blockers``. ``size``: (H, W). ``factor``: full-size pixels per coarse pixel.

    Notes: where only RIM is set the light is no stronger than the place sends back at other times, and stays. The
    other flags already hold a margin, so the soft border lies inside it, one coarse pixel wide: a border outside
    would cost the brightest light of all, that right beside the lamp.
    """
    closed = ((coarse & CLOSED) > 0).astype(np.uint8)
    if not closed.any():
        return np.ones(size, np.float32)
    core = cv2.erode(closed, disc(1), borderType=cv2.BORDER_REPLICATE)
    core |= closed & (1 - cv2.dilate(core, disc(1)))  # thin parts have no margin to give
    cover = 0.5 * (closed + core.astype(np.float32))
    if factor > 1:
        whole = (coarse.shape[1] * factor, coarse.shape[0] * factor)
        cover = cv2.resize(cover, whole, interpolation=cv2.INTER_LINEAR)
    pad = ((0, max(0, size[0] - cover.shape[0])), (0, max(0, size[1] - cover.shape[1])))
    full = np.pad(cover, pad, mode="edge")[: size[0], : size[1]]
    return np.ascontiguousarray(1 - full, np.float32)
