"""Which colours a figure may have: any, about the set's own; and those that it was seen to wear."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import LogSet
from lightstack.core.numbers import mean_channels, sum_channels
from lightstack.records import FloatArray

__all__ = ["FigureColours", "any_figure_says", "smooth_logs"]

FIGURE_DEPTH, FIGURE_COLOURS = 1.5, ((0.7, 0.3), (0.3, 0.9))  # logs about the set's usual colour: (share, spread)
BINS = (24, 12, 12)  # of lightness and two colour axes
RANGES = ((-9.0, 1.0), (-1.2, 1.2), (-1.2, 1.2))


def any_figure_says(logs: NDArray[np.float32], spread: NDArray[np.float32], known: LogSet) -> NDArray[np.float32]:
    """Log density (h, w) of logs ``(h, w, 3)`` for a figure of any colour, as noisy as ``spread`` says."""
    usual = np.median(known.logs.reshape(-1, 3)[::7], axis=0)
    lightness = mean_channels(logs - usual)
    colour = sum_channels((logs - usual - lightness[..., None]) ** 2)
    noise = mean_channels(spread)
    deep = 3 * FIGURE_DEPTH**2 + noise
    depth_says = -0.5 * (3 * lightness**2 / deep + np.log(2 * np.pi * deep))
    wide = [(share, size**2 + noise) for share, size in FIGURE_COLOURS]
    colour_says = sum(share * np.exp(-0.5 * colour / v) / (2 * np.pi * v) for share, v in wide)
    return np.asarray(depth_says + np.log(colour_says + 1e-12), np.float32)


class FigureColours:
    """Which colours the figure wears, gathered from where it is seen without doubt."""

    def __init__(self) -> None:
        self._seen = np.zeros(BINS, np.float64)

    def add(self, logs: NDArray[np.float32], sure: NDArray[np.bool_]) -> None:
        """Add the pixels ``sure`` (h, w) of a frame's logs ``(h, w, 3)``."""
        if sure.any():
            self._seen += np.histogramdd(_axes(smooth_logs(logs)[sure]), BINS, RANGES)[0]

    def density(self, logs: NDArray[np.float32]) -> NDArray[np.float32]:
        """How densely the figure's colours lie about each pixel's, (h, w), per cubed log; 0 while nothing was gathered.

        A pixel at random of the figure has a density of 1 over the volume that its colours fill.
        """
        total = float(self._seen.sum())
        if total < 100:
            return np.zeros(logs.shape[:2], np.float32)
        cell = np.prod([(high - low) / count for (low, high), count in zip(RANGES, BINS, strict=True)])
        table = (spread_counts(self._seen) / (total * cell)).astype(np.float32)
        places = [
            np.clip(((axis - low) / (high - low) * count).astype(np.int32), 0, count - 1)
            for axis, (low, high), count in zip(_axes(smooth_logs(logs).reshape(-1, 3)).T, RANGES, BINS, strict=True)
        ]
        return table[tuple(places)].reshape(logs.shape[:2])


def smooth_logs(logs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean over three by three pixels, ``(h, w, 3)``."""
    return cv2.blur(logs, (3, 3), borderType=cv2.BORDER_REPLICATE)


def _axes(logs: FloatArray) -> NDArray[np.float32]:
    red, green, blue = logs[..., 0], logs[..., 1], logs[..., 2]
    return np.stack([(red + green + blue) / 3, red - green, blue - green], axis=-1).astype(np.float32)


def spread_counts(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Spread counts over neighbouring bins, so that bins between seen ones are not empty."""
    spread = counts
    for axis in range(3):
        padded = np.take(spread, [0, *range(spread.shape[axis]), spread.shape[axis] - 1], axis)
        n = spread.shape[axis]
        parts = [np.take(padded, range(k, k + n), axis) for k in range(3)]
        spread = 0.25 * parts[0] + 0.5 * parts[1] + 0.25 * parts[2]
    return spread
