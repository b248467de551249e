"""The grain of a camera, as it was measured on a take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["REACH", "GrainProfile"]

REACH = 3  # pixels: autocorrelation is known at lags up to this, both ways and both signs


@dataclass(frozen=True, slots=True, eq=False)
class GrainProfile:
    """What a camera's grain is like, after its codec. Linear light in ``primaries``, full-size pixels.

    ``levels`` and ``sigma``: per channel ``(n_c,)``, levels ascending: standard deviation of one pixel at that level;
    ``codes`` and ``sigma_codes``: the same as the footage codes it, empty where its codes are not known.
    ``a``, ``b`` and their half widths ``(3,)``: variance = a * level + b at 95 % confidence; ``is_linear``: whether
    that line describes every level and the pixels are independent, as in linear footage that nobody denoised; where it
    is False the two numbers are effective ones. ``autocorrelation`` ``(3, 7, 7)``: per channel over (dy, dx) from -3 to
    3, 1 in the middle. ``channels`` ``(3, 3)``: correlation between channels at the same pixel. ``whiteness``
    ``(3,)``: correlation of a pixel's grain one, two and three frames apart; 0 is white. ``covered`` ``(3, 2)``: lowest
    and highest level that was seen. ``stale``: share of places that the codec repeated and that were left out.
    ``flattened``: level below which the codec took most of the grain away, 0 where it did nowhere. ``pairs``: of
    frames. ``patches``: still ones. ``share``: of all patches that were still.
    """

    take: str
    size: tuple[int, int]
    encoding: str
    primaries: str
    levels: tuple[NDArray[np.float64], ...]
    sigma: tuple[NDArray[np.float64], ...]
    codes: tuple[NDArray[np.float64], ...]
    sigma_codes: tuple[NDArray[np.float64], ...]
    a: NDArray[np.float64]
    b: NDArray[np.float64]
    a_half: NDArray[np.float64]
    b_half: NDArray[np.float64]
    is_linear: bool
    autocorrelation: NDArray[np.float64]
    channels: NDArray[np.float64]
    whiteness: NDArray[np.float64]
    covered: NDArray[np.float64]
    stale: float
    flattened: float
    pairs: int
    patches: int
    share: float
    warnings: tuple[str, ...] = ()

    def variance_at(self, channel: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the grain's variance of a channel at linear levels of any shape, float64.

        Notes: between measured levels it is interpolated; beyond them it is carried on in the shape of the fitted
        line, through the last measured value. Levels below zero count as zero.
        """
        x = np.maximum(np.asarray(level, np.float64), 0)
        known, variance = self.levels[channel], self.sigma[channel] ** 2
        inside = np.interp(x, known, variance)
        line = self.a[channel] * x + self.b[channel]
        ends = self.a[channel] * np.maximum(known[[0, -1]], 0) + self.b[channel]
        if not (ends > 0).all():
            return np.asarray(inside)
        low, high = variance[0] * line / ends[0], variance[-1] * line / ends[1]
        return np.asarray(np.where(x < known[0], low, np.where(x > known[-1], high, inside)))

    def sigma_at(self, channel: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the standard deviation, as `variance_at` does."""
        return np.asarray(np.sqrt(self.variance_at(channel, level)))
