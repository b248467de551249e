"""The texture of grain: how it hangs together from pixel to pixel, from channel to channel, from frame to frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.grain.measure import NEAR, WINDOW, Patches, Windows
from lightstack.errors import UnusableTake
from lightstack.records import BoolArray, GrainProfile
from lightstack.records.grain import REACH

__all__ = ["MOST_COARSE", "measure_texture", "measure_whiteness"]

MOST_COARSE = 24.0  # pixels: largest sum of an autocorrelation that is believed
LEAST_WINDOWS = 8


def measure_texture(
    windows: Windows, still: BoolArray, profile: GrainProfile
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the autocorrelation (3, 7, 7) and the channels' correlation (3, 3) from the windows that were still.

    Raises UnusableTake where there are too few.
    """
    chosen = still[windows.patches].all(axis=1) & windows.even
    if chosen.sum() < LEAST_WINDOWS:
        chosen = still[windows.patches].mean(axis=1) >= 0.75
    if chosen.sum() < LEAST_WINDOWS:
        raise UnusableTake(
            f"{profile.take}: {chosen.sum()} still squares of 16 x 16 pixels, at least {LEAST_WINDOWS} were expected; "
            "name a take in which something holds still, such as the empty one"
        )
    apart = windows.difference[chosen].astype(np.float64)
    level = windows.level[chosen].mean(axis=(1, 2))
    for c in range(3):
        apart[..., c] /= np.sqrt(np.maximum(profile.variance_at(c, level[:, c]), 1e-30))[:, None, None]
    apart -= apart.mean(axis=(1, 2), keepdims=True)
    apart = apart[_within_reason(apart)]
    lags = np.stack([_autocorrelate(apart[..., c]) for c in range(3)])
    flat = apart.reshape(-1, 3)
    return lags, _join_channels(flat, lags)


def _within_reason(apart: NDArray[np.float64]) -> BoolArray:
    """Tell which windows hold about as much grain as their level says, (m,): neither movers nor places without any."""
    power = (apart**2).mean(axis=(1, 2, 3))
    return np.asarray(power <= 3 * np.median(power))


def _autocorrelate(apart: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return one channel's autocorrelation over (dy, dx), -3 to 3, of windows (m, 16, 16) whose own means are out.

    Notes: the mean of a window takes S / 256 of the variance along, S being the autocorrelation's sum; that is put
    back. Each lag is divided by the pairs of pixels that have it.
    """
    side = 2 * REACH + 1
    sums = np.zeros((side, side))
    power = float((apart**2).mean())
    for dy in range(REACH + 1):
        for dx in range(-REACH, REACH + 1):
            a = apart[:, : WINDOW - dy, max(0, -dx) : WINDOW - max(0, dx)]
            b = apart[:, dy:, max(0, dx) : WINDOW + min(0, dx)]
            sums[REACH + dy, REACH + dx] = sums[REACH - dy, REACH - dx] = float((a * b).mean())
    rho = sums / power
    lost = np.clip(rho.sum(), 0, MOST_COARSE) / WINDOW**2
    return np.asarray((rho + lost) / (1 + lost))


def _join_channels(flat: NDArray[np.float64], lags: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the channels' correlation, (3, 3)."""
    moments = flat.T @ flat / len(flat)
    root = np.sqrt(np.diag(moments))
    return np.asarray(moments / np.outer(root, root))


def measure_whiteness(patches: Patches, still: BoolArray) -> NDArray[np.float64]:
    """Return the correlation of a pixel's grain one, two, three frames apart, (3,); NaN where it is not known."""
    known = np.isfinite(patches.near).all(axis=(0, 2))
    found = np.full(NEAR, np.nan)
    for lag in np.flatnonzero(known):
        # each patch counts by its own share, or the bright ones would decide alone
        total = patches.near[still, lag] + patches.variance[still]
        found[lag] = 1 - np.sum(patches.near[still, lag] / total) / np.sum(patches.variance[still] / total)
    return found
