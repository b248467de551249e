"""Which frames of a sweep show the room without the lamp.

Light only adds, so unlit frames are the darkest ones and look like each other. They are compared as small
pictures of block means, in which noise has gone: a frame is lit when clearly more blocks have gained light
than have lost it. A bump moves light between neighbouring blocks and so cancels; who walks through in dark
clothes only takes light away; a drift of exposure scales all blocks alike and is taken out first.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray, NoiseModel

BLOCKS_ACROSS = 40
SIGMAS = 5.0
GAINED_SHARE = 0.03  # of the blocks; a lamp lifts far more, a hand in the bulb's light less
DRIFT_LIMIT = 0.5  # stops, the most that is taken for a drift of exposure
LIKE_SHARE = 0.10  # two unlit frames may differ in so many blocks


def find_dark_frames(
    frame_at: Callable[[int], FloatArray],
    count: int,
    *,
    noise: NoiseModel,
    ambient: FloatArray | None = None,
) -> BoolArray:
    """Find the frames without lamp light, ``(count,)`` bool; all False when there seem to be none.

    ``frame_at``: frame ``k``, ``(h, w, 3)`` linear. ``ambient``: the unlit room where another take shows it.

    Notes: without ``ambient`` at least two unlit frames that look alike are needed, and they must be the darkest
    of the take: a lamp that stands still all the time cannot be told from a fixed light.
    """
    if count == 0:
        return np.zeros(0, bool)
    blocks, tolerance = _small_pictures(frame_at, count, noise)
    reference = None if ambient is None else _block_means(np.asarray(ambient, np.float32), _block_side(ambient.shape))
    if reference is None:
        reference = _guess_dark(blocks, tolerance)
    if reference is None:
        return np.zeros(count, bool)
    lit = np.array([_gains_light(picture, reference, tolerance) for picture in blocks])
    return ~lit


def _block_side(shape: tuple[int, ...]) -> int:
    return max(1, min(shape[0], shape[1], max(2, shape[1] // BLOCKS_ACROSS)))


def _block_means(picture: FloatArray, side: int) -> NDArray[np.float32]:
    h, w = (s // side * side for s in picture.shape[:2])
    tiles = picture[:h, :w].reshape(h // side, side, w // side, side, 3)
    return tiles.mean((1, 3), dtype=np.float32)


def _small_pictures(
    frame_at: Callable[[int], FloatArray], count: int, noise: NoiseModel
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Block means of all frames, (n, bh, bw, 3), and the noise of a block at its darkest, (bh, bw, 3).

    Notes: video noise is correlated between pixels, so a block's noise is taken to be twice what theory says, and
    no less than half a percent of the level.
    """
    first = np.asarray(frame_at(0), np.float32)
    side = _block_side(first.shape)
    blocks = np.stack([_block_means(np.asarray(frame_at(k), np.float32), side) for k in range(count)])
    floor = blocks.min(axis=0)
    sigma = 2 * noise.sigma(floor) / side + 0.005 * np.maximum(floor, 0)
    return blocks, sigma


def _guess_dark(
    blocks: NDArray[np.float32], sigma: NDArray[np.float32]
) -> NDArray[np.float32] | None:
    """The mean small picture of the darkest group of like frames, or None.

    Notes: a candidate is refused when many frames are darker than it in many blocks: a carrier covers a part of
    the picture for a while, but a room that is darker for most of the take was never unlit in the candidate.
    """
    order = np.argsort(blocks.mean((1, 2, 3)), kind="stable")
    for k in order[: max(8, len(order) // 2)]:
        gap = np.abs(blocks - blocks[k]) > SIGMAS * 1.5 * sigma
        like = gap.any(-1).mean((1, 2)) < LIKE_SHARE
        if like.sum() < 2:
            continue
        reference = np.median(blocks[like], axis=0)
        darker = (blocks < reference - SIGMAS * sigma).any(-1).mean((1, 2))
        if np.mean(darker > 0.25) < 0.35:
            return reference
    return None


def _gains_light(
    picture: NDArray[np.float32], reference: NDArray[np.float32], sigma: NDArray[np.float32]
) -> bool:
    """Has this frame clearly gained light over the unlit room, beyond drift, bumps and passers-by?"""
    gained, lost = _shares(picture, reference, sigma)
    if gained - lost < GAINED_SHARE and gained < 0.3:
        return False
    scaled = reference * _even_gain(picture, reference, sigma)
    gained, lost = _shares(picture, scaled, sigma)
    return gained - lost >= GAINED_SHARE or gained >= 0.3


def _shares(
    picture: NDArray[np.float32], reference: NDArray[np.float32], sigma: NDArray[np.float32]
) -> tuple[float, float]:
    difference = picture - reference
    gained = (difference > SIGMAS * sigma).any(-1).mean()
    lost = (difference < -SIGMAS * sigma).any(-1).mean()
    return float(gained), float(lost)


def _even_gain(
    picture: NDArray[np.float32], reference: NDArray[np.float32], sigma: NDArray[np.float32]
) -> NDArray[np.float32]:
    """One gain per channel that explains the frame as the unlit room at another exposure; 1 where it cannot."""
    gain = np.ones(3, np.float32)
    for c in range(3):
        known = reference[..., c] > 4 * SIGMAS * sigma[..., c]
        if known.sum() < 12:
            continue
        ratio = picture[..., c][known] / reference[..., c][known]
        middle = float(np.median(ratio))
        tight = np.mean(np.abs(ratio / middle - 1) < 0.03) if middle > 0 else 0.0
        if middle > 0 and abs(np.log2(middle)) < DRIFT_LIMIT and tight > 0.7:
            gain[c] = middle
    return gain
