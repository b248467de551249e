"""Which frames of a sweep show the room without the lamp.

Light only adds, so unlit frames are the darkest ones and look like each other. They are compared as small
pictures of block means, in which noise has gone: a frame is lit when clearly more blocks have gained light
than have lost it. A bump moves light between neighbouring blocks and so cancels; who walks through in dark
clothes only takes light away; a drift of exposure scales all blocks alike and is taken out first.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.records import BoolArray, FloatArray, NoiseModel

BLOCKS_ACROSS = 40
SIGMAS = 5.0
GAINED_SHARE = 0.03  # of the blocks; a lamp lifts far more, a hand in the bulb's light less
DRIFT_LIMIT = 0.5  # stops, the most that is taken for a drift of exposure
EVEN_SHARE = 0.025  # a drift of exposure scales all coarse cells alike within this
LIKE_SHARE = 0.10  # two unlit frames may differ in so many blocks
SHORTEST_GAP = 3  # frames
RESTLESS_LIMIT = 3.0
CHI_SQUARE_MEDIAN = 0.455  # of one degree of freedom (tables)
BUMP_PX = 2.5  # a knock of so many survey pixels may not pass for light


def find_dark_frames(
    frame_at: Callable[[int], FloatArray],
    count: int,
    *,
    noise: NoiseModel,
    ambient: FloatArray | None = None,
) -> BoolArray:
    """Find the frames without lamp light, ``(count,)`` bool; all False when there seem to be none.

    ``frame_at``: frame ``k``, ``(h, w, 3)`` linear. ``ambient``: the unlit room where another take shows it.

    Notes: without ``ambient`` at least two unlit frames that look alike are needed, and they must be the
    darkest
    of the take: a lamp that stands still all the time cannot be told from a fixed light.
    """
    if count == 0:
        return np.zeros(0, bool)
    side = _block_side(frame_at(0).shape)
    blocks, sigma = _small_pictures(frame_at, count, noise, side)
    sigma = sigma * _find_restlessness(blocks, sigma)
    reference = _guess_dark(blocks, sigma) if ambient is None else _block_means(np.asarray(ambient, np.float32), side)
    if reference is None:
        return np.zeros(count, bool)
    allowance = _bump_allowance(reference, side)
    lit = np.array([_gains_light(picture, reference, sigma, allowance) for picture in blocks])
    return ~_fill_short_gaps(lit)


def _fill_short_gaps(lit: BoolArray) -> BoolArray:
    """Call dark runs of under ``SHORTEST_GAP`` frames between lit ones lit: there somebody hides the lamp."""
    lit = lit.copy()
    known = np.flatnonzero(lit)
    for before, after in zip(known[:-1], known[1:], strict=True):
        if after - before - 1 < SHORTEST_GAP:
            lit[before:after] = True
    return lit


def _block_side(shape: tuple[int, ...]) -> int:
    return max(1, min(shape[0], shape[1], max(2, shape[1] // BLOCKS_ACROSS)))


def _block_means(picture: FloatArray, side: int) -> NDArray[np.float32]:
    h, w = (s // side * side for s in picture.shape[:2])
    means = np.empty((h // side, w // side, 3), np.float32)
    _average_tiles(np.ascontiguousarray(picture[:h, :w], np.float32), side, means)
    return means


@compile_loop()
def _average_tiles(picture, side, means):  # type: ignore[no-untyped-def]
    """Write the means of squares of ``picture`` (h side, w side, 3) to ``means`` (h, w, 3)."""
    line = np.empty(picture.shape[1] * 3, np.float32)
    share = np.float32(1 / (side * side))
    for row in range(means.shape[0]):
        line[:] = 0
        for y in range(row * side, (row + 1) * side):
            values = picture[y].reshape(-1)
            for i in range(line.shape[0]):
                line[i] += values[i]
        tiles = line.reshape((means.shape[1], side, 3))
        for column in range(means.shape[1]):
            for c in range(3):
                total = np.float32(0)
                for x in range(side):
                    total += tiles[column, x, c]
                means[row, column, c] = total * share


def _small_pictures(
    frame_at: Callable[[int], FloatArray], count: int, noise: NoiseModel, side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Block means of all frames, (n, bh, bw, 3), and the noise of a block at its darkest, (bh, bw, 3).

    Notes: video noise is correlated between pixels, so a block's noise is taken to be twice what theory says,
    and no less than half a percent of the level.
    """
    blocks = np.stack([_block_means(np.asarray(frame_at(k), np.float32), side) for k in range(count)])
    floor = blocks.min(axis=0)
    sigma = 2 * noise.sigma(floor) / side + 0.005 * np.maximum(floor, 0)
    return blocks, sigma


def _guess_dark(
    blocks: NDArray[np.float32], sigma: NDArray[np.float32]
) -> NDArray[np.float32] | None:
    """The mean small picture of the darkest group of like frames, or None.

    Notes: a candidate is refused when many frames are darker than it in many blocks: a carrier covers a part
    of the picture for a while, but a room that is darker for most of the take was never unlit in the
    candidate.
    """
    order = np.argsort(blocks.mean((1, 2, 3)), kind="stable")
    wide = np.stack([_block_means(picture, _wide_side(picture)) for picture in blocks])
    wide_sigma = _block_means(sigma, _wide_side(sigma)) / np.float32(_wide_side(sigma) / 2)
    wide_sigma = wide_sigma * _find_restlessness(wide, wide_sigma)
    for k in order[: max(8, len(order) // 2)]:
        like = _look_alike(blocks, blocks[k], sigma, 5.0) & _look_alike(wide, wide[k], wide_sigma, 4.0)
        if like.sum() < 2:
            continue
        reference = np.median(blocks[like], axis=0)
        darker = (blocks < reference - SIGMAS * sigma).any(-1).mean((1, 2))
        if np.mean(darker > 0.25) < 0.35:
            return reference
    return None


def _find_restlessness(pictures: NDArray[np.float32], sigma: NDArray[np.float32]) -> np.float32:
    """By how much frames jump more than ``sigma`` says, at least 1.

    Notes: a codec's errors hang together over blocks, so that averaging hardly lowers them. They are new in every
    frame and differ from block to block, while light that moves is smooth in both: each frame is held against the
    mean of its neighbours and each block against those around it; the median block of the stillest tenth counts.
    """
    if len(pictures) < 5 or min(pictures.shape[1:3]) < 3:
        return np.float32(1)
    jumps = (0.5 * (pictures[:-2] + pictures[2:]) - pictures[1:-1]) / sigma
    rough = np.stack([jump - cv2.blur(jump, (3, 3), borderType=cv2.BORDER_REFLECT) for jump in jumps])
    share = 1.5 * (1 - 1 / 9)  # of a block's variance that both differences keep
    unrest = np.quantile(np.median(rough**2, axis=(1, 2, 3)), 0.1) / (share * CHI_SQUARE_MEDIAN)
    return np.float32(np.clip(np.sqrt(unrest), 1, RESTLESS_LIMIT))


def _wide_side(picture: NDArray[np.float32]) -> int:
    """Side of a coarse cell in blocks: about eight cells across, in which even a faint sway of light shows."""
    return max(1, picture.shape[1] // 8)


def _look_alike(
    pictures: NDArray[np.float32], one: NDArray[np.float32], sigma: NDArray[np.float32], sigmas: float
) -> BoolArray:
    """Which pictures (n, bh, bw, 3) differ from one by more than noise in few places only, (n,) bool."""
    return (np.abs(pictures - one) > sigmas * sigma).any(-1).mean((1, 2)) < LIKE_SHARE


def _gains_light(
    picture: NDArray[np.float32],
    reference: NDArray[np.float32],
    sigma: NDArray[np.float32],
    allowance: NDArray[np.float32],
) -> bool:
    """Has this frame clearly gained light over the unlit room, beyond drift, bumps and passers-by?"""
    if not _is_lifted(picture, reference, sigma, allowance):
        return False
    return _is_lifted(picture, reference * _even_gain(picture, reference, sigma), sigma, allowance)


def _is_lifted(
    picture: NDArray[np.float32],
    reference: NDArray[np.float32],
    sigma: NDArray[np.float32],
    allowance: NDArray[np.float32],
) -> bool:
    """More blocks gained much than lost much, or hardly any block lost at all while most gained a little."""
    difference = picture - reference
    gained = float((difference > SIGMAS * sigma + allowance).any(-1).mean())
    lost = float((difference < -SIGMAS * sigma - allowance).any(-1).mean())
    tilt = float(np.max((difference > sigma).mean((0, 1)) - (difference < -sigma).mean((0, 1))))
    return gained - lost >= GAINED_SHARE or gained >= 0.3 or tilt > 0.6


def _bump_allowance(reference: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """How much a block may change when the picture moves by a knock: its neighbours' range times the share moved."""
    h, w = reference.shape[:2]
    padded = np.pad(reference, ((1, 1), (1, 1), (0, 0)), mode="edge")
    around = np.stack([padded[y : y + h, x : x + w] for y in range(3) for x in range(3)])
    return min(1.0, BUMP_PX / side) * (around.max(0) - around.min(0))


def _even_gain(
    picture: NDArray[np.float32], reference: NDArray[np.float32], sigma: NDArray[np.float32]
) -> NDArray[np.float32]:
    """One gain per channel that explains the frame as the unlit room at another exposure; 1 where it cannot.

    Notes: the ratio must be the same in most coarse cells; a lamp favours those near it.
    """
    gain = np.ones(3, np.float32)
    side = _wide_side(picture)
    now, then, noise = (_block_means(p, side) for p in (picture, reference, sigma))
    for c in range(3):
        known = then[..., c] > 20 * noise[..., c] / side
        if known.sum() < 6:
            continue
        ratio = now[..., c][known] / then[..., c][known]
        middle = float(np.median(ratio))
        limit = EVEN_SHARE + 4 * (noise[..., c] / side / then[..., c])[known]
        if middle > 0 and abs(np.log2(middle)) < DRIFT_LIMIT:
            gain[c] = middle if np.mean(np.abs(ratio / middle - 1) <= limit) > 0.7 else 1.0
    return gain
