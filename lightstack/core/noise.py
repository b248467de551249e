"""Temporal noise of a take from pairs of frames that show the same thing.

Between two frames of a still scene only noise differs, so half the mean square difference is the noise
variance. It is taken over square patches: because the model variance = a * level + b is linear, a patch's
mean variance belongs to its mean level exactly, whatever texture lies in it, and the level itself is nearly
free of noise. Patches in which something moved stand out and are trimmed; pairs in which the light changed
are outranked by quieter pairs.

Valid on linear, un-denoised data; a codec's or camera's noise reduction makes the figures effective ones. With
patches of 8 x 8 and 30 pairs of 128 x 128 both numbers come within 3 % where the levels span the model.

References
----------
EMVA Standard 1288, release 4.0, 2021: temporal variance from a pair of frames, photon transfer.
Foi et al., Practical Poissonian-Gaussian noise modeling and fitting, IEEE TIP 17(10), 2008, eq. 1-6.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from lightstack.core.compiled import compile_loop
from lightstack.errors import UnusableTake
from lightstack.records import FloatArray, NoiseModel

LEVEL_BINS = 24
BLACK_SHARE = 0.25  # of the least noisy bin's variance that is left at black at least
FLOOR_VARIANCE = 1e-14  # below any camera; keeps a noiseless render's model positive


@dataclass(order=True)
class _Pair:
    """Patch levels and variances of one pair, ``(3, p)`` float32; the stillest pairs sort last."""

    rank: tuple[float, int]
    levels: NDArray[np.float32] = field(compare=False)
    variances: NDArray[np.float32] = field(compare=False)


class NoiseTally:
    """Gather noise from pairs of blocks of consecutive frames, keeping only the stillest pairs.

    Parameters
    ----------
    scale: proxy factor of the blocks (1 = full size), copied into the result.
    patch: side of a patch in pixels.
    ceiling: linear level at and above which a pixel counts as clipped.
    keep: number of pairs kept; memory is ``keep`` times six numbers a patch, whatever the take's length.
    """

    def __init__(self, *, scale: int = 1, patch: int = 8, ceiling: float = np.inf, keep: int = 64) -> None:
        self.scale = scale
        self.patch = patch
        self.ceiling = ceiling
        self.keep = keep
        self.pairs_seen = 0
        self._kept: list[_Pair] = []

    def add(self, first: FloatArray, second: FloatArray) -> None:
        """Add one pair of blocks, ``(h, w, 3)`` linear light, of the same place in consecutive frames.

        Notes: blocks equal bit for bit (a repeated frame) say nothing and are passed over. The pair's rank is
        how far its patch means differ beyond noise: a lamp that moved raises it everywhere.
        """
        first, second = np.asarray(first, np.float32), np.asarray(second, np.float32)
        if first.shape != second.shape or np.array_equal(first, second):
            return
        self.pairs_seen += 1
        high = np.maximum(first, second) >= self.ceiling
        clipped = high[..., 0] | high[..., 1] | high[..., 2]
        levels, variances, shifts = measure_patches(first, second, self.patch, clipped=clipped)
        if levels.shape[1] == 0:
            return
        noise_of_shift = 2 * np.maximum(variances, FLOOR_VARIANCE) / self.patch**2
        unrest = float(np.median(shifts**2 / noise_of_shift))
        pair = _Pair((-unrest, -self.pairs_seen), levels, variances)
        if len(self._kept) < self.keep:
            heapq.heappush(self._kept, pair)
        else:
            heapq.heappushpop(self._kept, pair)

    def result(self) -> NoiseModel:
        """Fit the model to what was gathered.

        Raises UnusableTake when no pair of differing, unclipped frames was seen.
        """
        if not self._kept:
            raise UnusableTake(
                "noise cannot be measured: no two consecutive frames differ; expected camera footage, "
                "state the noise or use the take as recorded"
            )
        still = [p for p in self._kept if -p.rank[0] < 4 * max(0.5, -self._kept_best())]
        levels = np.concatenate([p.levels for p in still], axis=1)
        variances = np.concatenate([p.variances for p in still], axis=1)
        fits = [fit_noise(levels[c], variances[c], count=self.patch**2 - 1) for c in range(3)]
        a, b = np.array(fits).T
        return NoiseModel(a, b, self.scale)

    def _kept_best(self) -> float:
        return max(p.rank[0] for p in self._kept)


def measure_patches(
    first: FloatArray, second: FloatArray, patch: int, *, clipped: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Mean level, noise variance and mean shift of each unclipped patch, each ``(3, p)`` float32.

    Notes: the patch's own mean difference is taken out (a flicker or a slow fade is no noise), which costs
    one degree of freedom.
    """
    down, across = (side // patch for side in first.shape[:2])
    level, variance, shift = (np.empty((3, down * across), np.float32) for _ in range(3))
    _measure_patches(np.ascontiguousarray(first), np.ascontiguousarray(second), patch, across, level, variance, shift)
    good = (variance > 0).all(0)
    if clipped is not None:
        rows = np.logical_or.reduceat(clipped[: down * patch], range(0, down * patch, patch), axis=0)
        tiles = np.logical_or.reduceat(rows[:, : across * patch], range(0, across * patch, patch), axis=1)
        good &= ~tiles.ravel()
    return level[:, good], variance[:, good], shift[:, good]


@compile_loop(error_model="numpy")
def _measure_patches(first, second, patch, across, level, variance, shift):  # type: ignore[no-untyped-def]
    """Write mean, noise variance and mean difference of patches, ``across`` in a row of them, each (3, p)."""
    count = patch * patch
    change, light = np.empty(count, np.float32), np.empty(count, np.float32)
    for p in range(level.shape[1]):
        top, left = p // across * patch, p % across * patch
        for c in range(3):
            for y in range(patch):
                for x in range(patch):
                    one, two = first[top + y, left + x, c], second[top + y, left + x, c]
                    change[y * patch + x] = one - two
                    light[y * patch + x] = np.float32(0.5) * (one + two)
            level[c, p] = _sum_strands(light) / np.float32(count)
            shift[c, p] = _sum_strands(change) / np.float32(count)
            for i in range(count):
                change[i] -= shift[c, p]
            rest = _sum_strands(change) / np.float32(count)
            for i in range(count):
                change[i] = (change[i] - rest) * (change[i] - rest)
            spread = np.float32(0.5) * (_sum_strands(change) / np.float32(count))
            variance[c, p] = spread * np.float32(count / (count - 1))


@compile_loop()
def _sum_strands(values):  # type: ignore[no-untyped-def]
    """Sum in eight strands, which rounds less than one does and takes several values at once."""
    a = b = c = d = e = f = g = h = np.float32(0)
    whole = values.shape[0] // 8 * 8
    for i in range(0, whole, 8):
        a, b, c, d = a + values[i], b + values[i + 1], c + values[i + 2], d + values[i + 3]
        e, f, g, h = e + values[i + 4], f + values[i + 5], g + values[i + 6], h + values[i + 7]
    total = ((a + b) + (c + d)) + ((e + f) + (g + h))
    for i in range(whole, values.shape[0]):
        total += values[i]
    return total


def sigma_at(noise: NoiseModel, level: FloatArray) -> NDArray[np.float32]:
    """Give ``noise.sigma`` of ``(..., 3)`` float32 levels, to the same bit, in one pass: for pictures, many times."""
    flat = np.ascontiguousarray(level, np.float32).reshape(-1, 3)
    out = np.empty(flat.shape, np.float32)
    _write_sigma(flat, noise.a, noise.b, out)
    return out.reshape(level.shape)


@compile_loop()
def _write_sigma(level, a, b, out):  # type: ignore[no-untyped-def]
    for i in range(level.shape[0]):
        for c in range(3):
            value = level[i, c] if not level[i, c] < 0 else np.float32(0)
            variance = value * a[c] + b[c]
            out[i, c] = np.float32(np.sqrt(variance if not variance < 1e-16 else 1e-16))


def fit_noise(
    levels: FloatArray, variances: FloatArray, *, count: int = 63, black_share: float = BLACK_SHARE
) -> tuple[float, float]:
    """Fit variance = a * level + b, a and b >= 0, to patches ``(p,)`` of one channel.

    ``count``: degrees of freedom in each patch's variance. ``black_share``: of the least noisy bin's variance that b is
    at least; 0 where the footage is known to be linear.

    Notes: patches are sorted into bins of equal population by level; each bin's trimmed mean is weighted by
    population over squared variance (a variance's own spread is proportional to it), and the weights are
    taken from the fit of the round before.
    """
    order = np.argsort(levels, kind="stable")
    bins = [b for b in np.array_split(order, min(LEVEL_BINS, max(2, len(order) // 8))) if len(b)]
    x = np.array([levels[b].mean(dtype=np.float64) for b in bins])
    y = np.array([_trim_mean(variances[b].astype(np.float64), count) for b in bins])
    populations = np.array([len(b) for b in bins], np.float64)
    columns = np.stack([np.maximum(x, 0), np.ones_like(x)], axis=1)
    model = y.copy()
    slope, offset = 0.0, float(y.mean())
    for _ in range(4):
        weights = np.sqrt(populations) / np.maximum(model, 0.02 * y.max() + FLOOR_VARIANCE)
        scale = 1.0 / max(float(y.max()), FLOOR_VARIANCE)  # keeps the solver away from tiny numbers
        (slope, offset), _residual = nnls(columns * weights[:, None], y * scale * weights)
        slope, offset = slope / scale, offset / scale
        model = columns @ np.array([slope, offset])
    # a codec flattens the darkest places, which tips the line through zero: black is never free of noise
    least = max(black_share * float(y.min()), FLOOR_VARIANCE)
    if offset < least:
        level = columns[:, 0]
        power = float(np.sum((weights * level) ** 2))
        slope = float(np.sum(weights**2 * level * (y - least))) / power if power > 0 else 0.0
        offset = least
    return float(max(slope, 0.0)), float(offset)


def _trim_mean(variances: NDArray[np.float64], count: int) -> float:
    """Mean of the patches that agree with the median; what moved stands far above it."""
    middle = float(np.median(variances))
    spread = np.sqrt(2.0 / count)
    # texture and codecs make a patch's pixels unequal, so its variance spreads more than a chi-square's
    kept = variances[variances <= middle * (1 + 10 * spread)]
    return float(kept.mean()) if len(kept) else middle
