"""Where the lamp's light arrived at all, and the places that it never reached."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from itertools import chain

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.records import BoolArray, Hole, NoiseModel

__all__ = ["REACHED_SIGMA", "find_holes", "find_reached", "gather_levels"]

REACHED_SIGMA = 3.0
LAG = 2  # frames that an average over time looks ahead
LEAST_WEIGHT = np.float32(1e-3)


def gather_levels(
    frames: Iterable[tuple[NDArray, NDArray]], ambient: NDArray, noise: NoiseModel
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Gather the most that any frame of a sweep saw of the lamp's light, chosen as key frame or not.

    ``frames``: (light ``(h, w, 3)`` linear, valid ``(h, w)`` 0..1) of every frame in the order of time, at any size;
    an unlit frame is valid nowhere. ``ambient``: ``(h, w, 3)``. ``noise``: of one full-size frame, which sets the
    unit. Returns the largest level ``(h, w, 3)`` in sigma of one frame, and the largest validity ``(h, w)``.

    Notes: the largest of many noisy values lies above the light, and a mean over pixels smears the rim of a small
    dark place. A carried lamp's light changes slowly against the frame rate, so each frame is averaged with two before
    and two after it (1-4-6-4-1, valid pixels only), which leaves about half the noise and every edge.
    """
    scale = (1 / np.sqrt(noise.a * np.maximum(ambient, 0) + noise.b)).astype(np.float32)
    best = np.full((*ambient.shape[:2], 3), -np.inf, np.float32)
    best_valid = np.zeros(ambient.shape[:2], np.float32)
    for total, valid in _average_over_time(frames, ambient.shape[:2]):
        _keep_most(total, scale, valid, best, best_valid)
    return best, best_valid


def _average_over_time(
    frames: Iterable[tuple[NDArray, NDArray]], size: tuple[int, int]
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """Yield for every frame its binomially weighted sums of valid light and validity (h, w, 4), and its validity.

    Four running sums of neighbours make the weights 1-4-6-4-1; they lag two frames behind. The sums are overwritten
    by the next frame's.
    """
    nothing = np.zeros((*size, 4), np.float32)
    sums, total = np.zeros((4, *size, 4), np.float32), np.empty((*size, 4), np.float32)
    waiting: deque[NDArray[np.float32]] = deque()
    after = ((nothing[..., :3], nothing[..., 3]) for _ in range(LAG))
    for count, (light, valid) in enumerate(chain(frames, after)):
        usable = np.array(valid, np.float32)
        _roll_sums(np.ascontiguousarray(light, np.float32), usable, sums, total)
        waiting.append(usable)
        if count >= LAG:
            yield total, waiting.popleft()


@compile_loop()
def _roll_sums(light, usable, sums, total):  # type: ignore[no-untyped-def]
    """Take one frame into the running ``sums`` (4, h, w, 4) and give their ``total`` (h, w, 4).

    ``light`` (h, w, 3); ``usable`` (h, w) becomes 0 where that is no number.
    """
    line = np.empty((usable.shape[1], 4), np.float32)
    for y in range(usable.shape[0]):
        for x in range(usable.shape[1]):
            known = np.isfinite(light[y, x, 0]) and np.isfinite(light[y, x, 1]) and np.isfinite(light[y, x, 2])
            share = usable[y, x] if known else np.float32(0)
            usable[y, x] = share
            for c in range(3):
                line[x, c] = light[y, x, c] * share if known else np.float32(0)
            line[x, 3] = share
        current = line.reshape(-1)
        for i in range(4):
            last = sums[i, y].reshape(-1)
            for k in range(current.shape[0]):
                value = current[k]
                current[k] = value + last[k]
                last[k] = value
        total[y] = line


@compile_loop(error_model="numpy")
def _keep_most(total, scale, valid, best, best_valid):  # type: ignore[no-untyped-def]
    """Keep the largest levels (h, w, 3) and validity (h, w), given sums (h, w, 4) of light and of validity."""
    for y in range(valid.shape[0]):
        for x in range(valid.shape[1]):
            best_valid[y, x] = max(best_valid[y, x], valid[y, x])
            if valid[y, x] > np.float32(0.5):
                weight = max(total[y, x, 3], LEAST_WEIGHT)
                for c in range(3):
                    best[y, x, c] = max(best[y, x, c], total[y, x, c] * scale[y, x, c] / weight)


def find_reached(best: NDArray, *, sigmas: float = REACHED_SIGMA, valid: NDArray | None = None) -> BoolArray:
    """Say where the lamp's light arrived.

    ``best``: ``(H, W)`` or ``(H, W, C)``, the largest lamp light of any valid frame, in standard
    deviations of one frame; with several channels the strongest counts. ``valid``: ``(H, W)``, the largest
    validity of any still; where it is 0 nothing arrived. Returns ``(H, W)`` bool.

    Notes: a lone pixel that disagrees with the eight around it is noise and follows them.
    """
    strongest = best if best.ndim == 2 else best.max(axis=2)
    reached = np.nan_to_num(strongest, nan=-np.inf, posinf=np.inf, neginf=-np.inf) >= sigmas
    if valid is not None:
        reached &= valid > 0
    lit = reached.astype(np.float32)
    around = cv2.boxFilter(lit, -1, (3, 3), normalize=False, borderType=cv2.BORDER_REFLECT)
    return np.asarray((reached & (around > 2.5)) | (around > 6.5))


def find_holes(reached: BoolArray, *, min_share: float = 0.002) -> tuple[Hole, ...]:
    """List the places that the light never reached, the largest first.

    ``reached``: ``(H, W)`` bool. ``min_share``: the smallest area worth naming, as a share of the picture.
    Returns holes numbered from 1, centres in pixels of the given picture (pixel centres at .5). The centre
    is the hole's innermost point, so a mark set there lies inside it.
    """
    height, width = reached.shape
    dark = np.ascontiguousarray(~reached, np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    areas = stats[:, cv2.CC_STAT_AREA]
    large = [k for k in range(1, count) if areas[k] >= min_share * height * width]
    large.sort(key=lambda k: (-int(areas[k]), k))
    holes = []
    for number, k in enumerate(large, start=1):
        x, y = _find_innermost(labels == k)
        share = float(areas[k]) / (height * width)
        holes.append(Hole(number=number, x=x, y=y, area_share=share, where=name_place(x / width, y / height)))
    return tuple(holes)


def _find_innermost(mask: BoolArray) -> tuple[float, float]:
    """Give the centre (x, y) of the pixel of a mask that lies farthest from its rim."""
    framed = np.pad(mask.astype(np.uint8), 1)
    distance = cv2.distanceTransform(framed, cv2.DIST_L2, 3)[1:-1, 1:-1]
    y, x = np.unravel_index(int(distance.argmax()), mask.shape)
    return float(x) + 0.5, float(y) + 0.5


def name_place(x: float, y: float) -> str:
    """Say in words where a point lies; ``x`` and ``y`` run 0..1 from the top left."""
    column = ("left", "", "right")[min(int(x * 3), 2)]
    row = ("top", "", "bottom")[min(int(y * 3), 2)]
    return f"{row} {column}".strip() or "centre"
