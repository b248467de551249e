"""Does noise live in a take? In a render, or behind a camera that smooths all of it away, what stands is equal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.compression import compare_tiles
from lightstack.records import ProxyTake

__all__ = ["is_noiseless"]

RUNS, PAIRS = 2, 16  # stretches of frames that are looked at, and pairs in each: a codec renews a picture within them
LEAST_PAIRS = 4
STANDS = 0.6  # of the picture that is equal to the last bit, at least: somebody may cross the rest
LIVES = 0.10  # of the picture that is equal in no pair, at most: living noise never is
LEAST_JUDGED = 0.05  # of the picture that is neither black nor clipped


def is_noiseless(proxies: ProxyTake, *, frames: NDArray[np.integer] | None = None) -> bool:
    """Tell whether a surveyed take holds no noise: most of it stands to the last bit, and only motion changes it.

    ``frames``: indices of the frames to look at, all if None.

    Notes: frames that equal the one before tell nothing while others do not, since a recorder that stumbles repeats
    noise too. Blocks that a codec leaves standing are renewed now and then, and noise lives in the others all the time.
    """
    chosen = np.arange(len(proxies)) if frames is None else np.asarray(frames, np.int64)
    following = np.flatnonzero(np.diff(chosen) == 1)
    if not len(following):
        return False
    changing = following[~np.asarray(proxies.duplicate)[chosen[following + 1]]]
    if not len(changing):
        return len(following) >= LEAST_PAIRS
    starts = np.linspace(0, max(0, len(changing) - PAIRS), RUNS).astype(int)
    few = np.unique(np.concatenate([changing[start : start + PAIRS] for start in starts]))
    tiles = [compare_tiles(proxies, int(chosen[k]), int(chosen[k + 1])) for k in few]
    judged = np.logical_and.reduce([known for _, known in tiles])
    if len(few) < LEAST_PAIRS or judged.mean() < LEAST_JUDGED:
        return False
    equal = np.stack([same[judged] for same, _ in tiles])
    return bool(equal.mean(axis=1).min() >= STANDS and (~equal).all(axis=0).mean() <= LIVES)
