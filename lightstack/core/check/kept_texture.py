"""Is a brighter place still the set? Light multiplies what it falls on, so texture stays; a body replaces it."""

from __future__ import annotations

from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["measure_kept_texture"]

FLOOR = 2e-3  # linear, added before the logarithm: below it codes and noise are all the texture there is
LIT_CHANGE = 0.30  # of the level, by which a channel is brighter
UNCLIPPED = 0.9  # linear: what clips has lost its texture by itself
AROUND = 3  # pixels, each way, that must have brightened with a place
NEAR = 9  # pixels, each way, in which the noise of texture is measured
CLEAR = 2.0  # sigmas of that noise, from which on a place has texture
LEAST_PLACES = 200  # in any frame, from which on the answer counts
SURE = 8.0  # standard errors that the set's own texture must be above noise


def measure_kept_texture(frames: NDArray[np.float32], darkest: NDArray[np.integer]) -> tuple[float, float]:
    """Return how much of the set's texture its brightened places keep, 1 all, 0 none, and the standard error.

    Parameters
    ----------
    frames : (n, h, w, 3) linear light of one take, small.
    darkest : indices of its darkest frames, which show the set.

    Both are NaN where no texture is to be seen.

    Notes: texture is by what a logarithm of light changes from a place to those round it, so light that varies slowly
    drops out. Half of the dark frames says where there is texture and which sign it has; what the other half and what
    brightened frames hold of it there is compared, so noise pulls neither way. The error is that of a ratio of sums
    over frames (Cochran, Sampling Techniques, 3rd ed. 1977, 6.4; from memory).
    """
    if len(darkest) < 2:
        return nan, nan
    halves = [np.nan_to_num(np.asarray(frames[darkest[k::2]].mean(axis=0), np.float32)) for k in (0, 1)]
    first, second = (_find_texture(half) for half in halves)
    noise = np.sqrt(cv2.blur((first - second) ** 2, (NEAR, NEAR)))
    sign = np.asarray(np.where(np.abs(first) > CLEAR * noise, np.sign(first), 0), np.float32)
    level = 0.5 * (halves[0] + halves[1])
    sums, used = np.zeros((len(frames), 2)), np.zeros(level.shape, bool)
    for k, frame in enumerate(frames):
        picture = np.nan_to_num(frame)
        where = _find_brighter(picture, level) & (sign != 0)
        if where.any():
            sums[k] = sign[where] @ _find_texture(picture)[where], sign[where] @ second[where]
            used |= where
    seen, own = second[used], float(sign[used] @ second[used])  # each place once: its noise is the same in all sums
    if len(seen) < LEAST_PLACES or own <= SURE * float(np.linalg.norm(seen)) or sums[:, 1].sum() <= 0:
        return nan, nan
    whole = sums[:, 1].sum()
    share = sums[:, 0].sum() / whole
    return float(share), float(np.sqrt(np.sum((sums[:, 0] - share * sums[:, 1]) ** 2)) / whole)


def _find_brighter(frame: NDArray[np.float32], level: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Tell where a frame is brighter than the set's ``level``, unclipped, with what lies round it; (h, w, 3)."""
    up = (frame > (1 + LIT_CHANGE) * level + FLOOR) & (frame < UNCLIPPED)
    return np.asarray(cv2.erode(up.astype(np.uint8), np.ones((AROUND, AROUND), np.uint8), borderValue=0) > 0)


def _find_texture(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Logarithm of light less its mean over the places round it, (h, w, 3)."""
    logs = np.log(np.maximum(picture, 0) + np.float32(FLOOR))
    return np.asarray(logs - cv2.blur(logs, (AROUND, AROUND)), np.float32)
