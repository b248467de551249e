"""The grain of a camera, as it was measured on a take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["REACH", "GrainDetail", "GrainProfile"]

BRIGHTEST = 7  # levels by which strength is carried on above them
REACH = 3  # pixels: autocorrelation is known at lags up to this, both ways and both signs


@dataclass(frozen=True, slots=True, eq=False)
class GrainDetail:
    """How grain goes with the detail around it, where a codec takes it from plain places.

    ``points`` ``(k,)``: detail, ascending, the standard deviation of linear luma to the ``power``. ``share`` ``(k,)``:
    variance there against the mean. ``beside``: per channel ``(n_c,)``, the mean share at the profile's levels.
    """

    power: float
    points: NDArray[np.float64]
    share: NDArray[np.float64]
    beside: tuple[NDArray[np.float64], ...]


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
    frames. ``patches``: still ones. ``share``: of all patches that were still. ``detail``: None where grain does not
    go with the detail around it.
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
    detail: GrainDetail | None = None

    def variance_at(self, channel: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the grain's variance of a channel at linear levels of any shape, float64.

        Notes: between measured levels it is interpolated; beyond them it is carried on in the shape of the fitted
        line, through the last measured value; above, within a stop, to what the brightest levels say together.
        Levels below zero count as zero.
        """
        return self._carry(channel, level, self.sigma[channel] ** 2)

    def even_variance_at(self, channel: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return what `variance_at` would where the take was equally rich in detail at every level.

        Notes: the brightest level is often one thing of the picture, so it is held to what the three brightest say.
        """
        variance = self.sigma[channel] ** 2
        if self.detail is None:
            return self._carry(channel, level, variance)
        variance = variance / self.detail.beside[channel]
        line = self.a[channel] * np.maximum(self.levels[channel], 0) + self.b[channel]
        if line[-1] > 0:
            variance[-1] = line[-1] * np.median(variance[-3:] / np.maximum(line[-3:], 1e-30))
        return self._carry(channel, level, variance)

    def _carry(
        self, channel: int, level: NDArray[np.floating], variance: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return variances between those of the levels (n_c,), and beyond them by the line."""
        x, known = np.maximum(np.asarray(level, np.float64), 0), self.levels[channel]
        inside = np.interp(x, known, variance)
        line = self.a[channel] * x + self.b[channel]
        ends = self.a[channel] * np.maximum(known[[0, -1]], 0) + self.b[channel]
        if not (ends > 0).all():
            return np.asarray(inside)
        low = variance[0] * line / ends[0]
        bright = self.a[channel] * np.maximum(known[-BRIGHTEST:], 0) + self.b[channel]
        last, usual = variance[-1] / ends[1], float(np.median(variance[-BRIGHTEST:] / bright))
        beyond = np.clip(np.log2(np.maximum(x, 1e-12) / max(float(known[-1]), 1e-12)), 0, 1)
        high = (last + beyond * (usual - last)) * line
        return np.asarray(np.where(x < known[0], low, np.where(x > known[-1], high, inside)))

    def sigma_at(self, channel: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the standard deviation, as `variance_at` does."""
        return np.asarray(np.sqrt(self.variance_at(channel, level)))
