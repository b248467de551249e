"""Where a take's code values end: at the last code of its range, or at a plateau that its camera clips to.

References
----------
ITU-R BT.709-6, item 5.6, and BT.2020-2, table 5: video data codes 1-254 (8 bit), 4-1019 (10 bit), 16-4079 (12 bit),
so that legal-range footage holds light above its white at 235, 940, 3760.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.decoder import CLIP_SHARE, code_scales
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.measured import curve_of
from lightstack.records import Encoding, FloatArray

__all__ = ["CeilingTally", "flag_light", "holds_highlights", "last_signal", "put_ceiling"]

HIGHLIGHTS = 1.2  # linear: a curve that goes on beyond this keeps light that a screen does not show
WINDOW = 0.015  # of the signal: how wide a plateau is, noise and rounding included
TOWERS = 3.0  # by how much a plateau outnumbers what lies as far below it
LEAST_SAMPLES, LEAST_SHARE = 16, 0.02  # of the samples from the lowest ceiling on
OVERSHOOT = 0.25  # of what lies about white: so much beyond it is no codec's error
STEP = 4  # rows and columns between the samples that are counted


def last_signal(encoding: Encoding) -> float:
    """Return the R'G'B' signal of the last code that footage of this encoding may use."""
    if encoding.range != "limited":
        return 1.0
    black, codes = code_scales(encoding)[0]
    return (2.0**encoding.bit_depth - 2.0 ** (encoding.bit_depth - 8) - 1 - black) / codes


def put_ceiling(encoding: Encoding) -> Encoding:
    """Return an encoding that clips at its last code."""
    return replace(encoding, ceiling=last_signal(encoding))


def holds_highlights(encoding: Encoding) -> bool:
    """Tell whether the curve goes on far beyond white, as logarithmic ones do."""
    return bool(CURVES[encoding.transfer].decode(np.array(1.0)) > HIGHLIGHTS)


class CeilingTally:
    """Counts a take's brightest luma (or first-colour) codes and says at which signal its camera clips.

    ``lowest``: the signal from which on a plateau counts as clipping; below it a plateau is a part of the scene.
    """

    def __init__(self, encoding: Encoding) -> None:
        self.encoding = encoding
        self.lowest = 1.0
        if holds_highlights(encoding):
            self.lowest = min(float(curve_of(encoding).encode(np.array(HIGHLIGHTS))), last_signal(encoding))
        # What flags are made with while the take is read: white for video, whose cameras mostly clip there.
        self.used = last_signal(encoding) if holds_highlights(encoding) else 1.0
        self.black, self.codes = code_scales(encoding)[0]
        self.counts = np.zeros(2**encoding.bit_depth, np.int64)

    def add(self, plane: NDArray) -> None:
        """Count one frame's first plane, (H, W) or (H, W, 3) unsigned codes."""
        if plane.dtype.kind != "u":
            return  # pictures without codes
        codes = np.minimum(plane[::STEP, ::STEP], len(self.counts) - 1).ravel()
        self.counts += np.bincount(codes, minlength=len(self.counts))

    def join(self, other: CeilingTally) -> None:
        """Count in what was counted of other frames of the same take."""
        self.counts += other.counts

    def result(self) -> float:
        """Return the signal at which the take clips: its topmost plateau, else the last code or, for video that does
        not go beyond white, white.

        Notes: a plateau is a window of codes that holds several times what the window below it does. Overshoot of a
        codec beside a clipped lamp thins out upwards, as unclipped highlights do, and so is none.
        """
        width = max(2, round(WINDOW * self.codes))
        bottom = int(np.floor(self.black + self.lowest * self.codes)) - width // 2
        sums = np.concatenate([[0], np.cumsum(self.counts)])
        least = max(LEAST_SAMPLES, LEAST_SHARE * (sums[-1] - sums[bottom]))
        for top in range(len(self.counts), bottom + width, -1):
            here, below = sums[top] - sums[top - width], sums[top - width] - sums[max(0, top - 2 * width)]
            if here >= least and here > TOWERS * below:
                middle = int(np.argmax(self.counts[top - width : top])) + top - width
                return self._settle((middle - self.black) / self.codes)
        over = sums[-1] - sums[min(bottom + 2 * width, len(self.counts))]
        near = sums[-1] - over - sums[bottom]
        return last_signal(self.encoding) if over >= least and over > OVERSHOOT * near else self.used

    def _settle(self, signal: float) -> float:
        """Return the ceiling for a plateau; the one in use where it is within a window of it."""
        return self.used if abs(signal - self.used) <= WINDOW else min(signal, last_signal(self.encoding))


def flag_light(light: FloatArray, encoding: Encoding, ceiling: float) -> NDArray[np.uint8]:
    """Flag channels at a ceiling: (h, w) uint8, bit 0/1/2 = R/G/B; ``light`` (h, w, 3) in the take's own primaries."""
    limit = float(curve_of(encoding).decode(np.array(CLIP_SHARE * ceiling)))
    bits = (np.asarray(light) >= limit) * np.array([1, 2, 4], np.uint8)
    return np.asarray(bits.sum(axis=-1, dtype=np.uint8))
