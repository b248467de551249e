"""The line of linear footage, variance = a * level + b, with how sure it is.

References
----------
EMVA Standard 1288, release 4.0, 2021: photon transfer.
Foi et al., Practical Poissonian-Gaussian noise modeling and fitting, IEEE TIP 17(10), 2008: noise cut off at black.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from lightstack.core.noise import fit_noise

__all__ = ["Line", "fit_line"]

BATCHES = 16
CONFIDENCE = 0.95
CLEAR_SIGMAS = 1.0  # of one pixel above black, for a patch's mean: 64 pixels are seldom cut off there
LEAST_CLEAR = 64
DEGREES = 63  # of freedom of a patch of 8 x 8


@dataclass(frozen=True, slots=True)
class Line:
    """``a``, ``b`` and the half widths of their intervals at 95 % confidence, (3,) each."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    a_half: NDArray[np.float64]
    b_half: NDArray[np.float64]


def fit_line(levels: NDArray[np.float64], variances: NDArray[np.float64], bursts: NDArray[np.int64]) -> Line:
    """Fit a line to patches: ``levels`` and ``variances`` (n, 3), ``bursts`` (n,): of which burst each is.

    Notes: patches are dealt into 16 batches fitted one by one, whose scatter gives the standard error of the whole; so
    texture and codecs are in it. Where so few patches are there that a batch holds less than 8, the half widths are
    those of numbers that are not known.
    """
    order = np.lexsort((np.random.default_rng(1).permutation(len(bursts)), bursts))
    whole, halves = np.zeros((3, 2)), np.zeros((3, 2))
    width = float(stdtrit(BATCHES - 1, 0.5 + CONFIDENCE / 2))
    for c in range(3):
        level, variance = levels[:, c], variances[:, c]
        whole[c] = fit_noise(level, variance, count=DEGREES, black_share=0)
        clear = level > CLEAR_SIGMAS * np.sqrt(np.maximum(variance, 0))
        if LEAST_CLEAR <= clear.sum() < len(level):
            whole[c] = fit_noise(level[clear], variance[clear], count=DEGREES, black_share=0)
        else:
            clear[:] = True
        parts = [part[clear[part]] for part in (order[i::BATCHES] for i in range(BATCHES))]
        fits = [fit_noise(level[p], variance[p], count=DEGREES, black_share=0) for p in parts if len(p) >= 8]
        if len(fits) < BATCHES:
            halves[c] = np.abs(whole[c])
        else:
            halves[c] = width * np.std(fits, axis=0, ddof=1) / np.sqrt(BATCHES)
    return Line(whole[:, 0], whole[:, 1], halves[:, 0], halves[:, 1])
