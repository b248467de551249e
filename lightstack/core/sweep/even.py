"""A hand-held lamp is now nearer, now farther: bring the levels of its stills together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import SettingError

__all__ = ["even_gains", "measure_level"]

LEVEL_PERCENTILE = 90.0


def measure_level(light: NDArray, valid: NDArray, *, sigma: float | NDArray = 0.0) -> float:
    """Give how bright the lamp light of one still is where it falls.

    ``light``: ``(h, w)`` luminance of the lamp light, linear. ``valid``: ``(h, w)`` 0..1. ``sigma``: its
    noise. Returns the 90th percentile over valid pixels above 3 sigma, linear; 0 where there are none.

    Notes: a percentile, not the largest value, so that a glint or the wall beside the lamp does not
    speak for the whole still.
    """
    lit = np.asarray(light, np.float32)[(np.asarray(valid) > 0.5) & (light > 3 * np.asarray(sigma))]
    lit = lit[np.isfinite(lit) & (lit > 0)]
    return float(np.percentile(lit, LEVEL_PERCENTILE)) if lit.size else 0.0


def even_gains(levels: NDArray, *, amount: float, limit_stops: float = 2.0) -> NDArray[np.float64]:
    """Give each still's gain towards the common level.

    ``levels``: ``(n,)`` linear, as ``measure_level`` gives them. ``amount``: 0 leaves the stills as shot,
    1 brings them to the geometric median as far as ``limit_stops`` allows. Returns ``(n,)`` float64.
    A still without a level keeps gain 1.

    Raises SettingError for an amount outside 0..1 or a negative limit.
    """
    if not 0 <= amount <= 1:
        raise SettingError(f"even is {amount}; it must lie between 0 and 1")
    if limit_stops < 0:
        raise SettingError(f"the limit of even is {limit_stops} stops; it must not be negative")
    levels = np.asarray(levels, np.float64)
    gains = np.ones(len(levels))
    lit = np.isfinite(levels) & (levels > 0)
    if lit.any():
        stops = np.log2(levels[lit])
        gains[lit] = 2.0 ** np.clip(amount * (np.median(stops) - stops), -limit_stops, limit_stops)
    return gains
