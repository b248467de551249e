"""Is a brighter place still the set? Light multiplies what it falls on, so the set's texture stays; a body replaces it."""

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
CLEAR = 2.0  # variance of the texture over that of noise, from which on a place has texture
LEAST_PLACES = 200  # values, over all frames, from which on the answer counts


def measure_kept_texture(frames: NDArray[np.float32], darkest: NDArray[np.integer]) -> float:
    """Return how much of the set's texture its brightened places keep: 1 all, 0 none, NaN where there is none.

    Parameters
    ----------
    frames : (n, h, w, 3) linear light of one take, small.
    darkest : indices of its darkest frames, which show the set.

    Notes: texture is what a logarithm of light changes by from a place to those round it, so light that varies slowly
    drops out. The slope of a brightened frame's texture against the set's, channel by channel; half of the dark frames
    says where there is texture, the other half is compared, so that their noise does not pull the slope down.
    """
    halves = [frames[darkest[k::2]] for k in (0, 1)] if len(darkest) > 1 else [frames[darkest]] * 2
    base = [np.nan_to_num(np.asarray(half.mean(axis=0), np.float32)) for half in halves]
    first, second = (_find_texture(picture) for picture in base)
    dark = 0.5 * (base[0] + base[1])
    noise = float(np.median((first - second) ** 2)) / 0.455  # the median of chi squared with one degree of freedom
    clear = first * second > CLEAR * noise
    kept, whole, count = 0.0, 0.0, 0
    for frame in np.nan_to_num(frames):
        up = (frame > (1 + LIT_CHANGE) * dark + FLOOR) & (frame < UNCLIPPED)
        kernel = np.ones((AROUND, AROUND), np.uint8)
        where = (cv2.erode(up.astype(np.uint8), kernel, borderValue=0) > 0) & clear
        if where.any():
            texture = _find_texture(frame)[where]
            kept += float(texture @ (first + second)[where]) / 2
            whole += float(first[where] @ second[where])
            count += int(where.sum())
    return kept / whole if count >= LEAST_PLACES and whole > 0 else nan


def _find_texture(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Logarithm of light less its mean over the places round it, (h, w, 3)."""
    logs = np.log(np.maximum(picture, 0) + np.float32(FLOOR))
    return np.asarray(logs - cv2.blur(logs, (AROUND, AROUND)), np.float32)
