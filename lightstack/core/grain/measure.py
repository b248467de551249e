"""Grain measured from bursts of frames of a locked-off take: how strong, how coarse, how alike in the channels.

Between two frames of a still place only grain differs. A burst is a few frames that follow each other and one further
on: near frames tell whether the grain is new in every frame, far ones how strong it is even where a codec lets it hang
together. Places that move, change their light or were repeated by the codec drop out.

References
----------
EMVA Standard 1288, release 4.0, 2021: temporal variance from pairs of frames.
Foi et al., Practical Poissonian-Gaussian noise modeling and fitting, IEEE TIP 17(10), 2008.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.sampling import space_evenly
from lightstack.records import BoolArray

__all__ = ["LEVEL_SIDE", "LUMA", "NEAR", "PATCH", "WINDOW", "BurstTally", "Patches", "Windows", "cut_strips"]

PATCH, WINDOW = 8, 16  # px: sides of the squares in which strength and texture are measured
NEAR = 3  # frames: lags at which whiteness in time is told
MOST_PATCHES = 24_000  # of a burst; larger pictures are measured in strips that are spread over them
MOST_WINDOWS = 500  # of a burst
LEAST_FOR_GAIN = 64
LUMA = np.array([0.25, 0.65, 0.1], np.float32)  # about what a codec's luma is made of
LEVEL_SIDE = 3  # px: square over which a level is averaged, here and where grain is laid


@dataclass(frozen=True, slots=True)
class Patches:
    """Squares of 8 x 8 pixels of all bursts.

    ``place``, ``burst`` (n,). ``level``, ``variance`` (between far frames), ``shift`` (square of how its mean changed
    between the farthest) (n, 3). ``near`` (n, 3, 3): variance at lags 1 to 3 by channel, NaN unknown. ``stale``,
    ``clipped`` (n,).
    """

    place: NDArray[np.int64]
    burst: NDArray[np.int64]
    level: NDArray[np.float64]
    variance: NDArray[np.float64]
    shift: NDArray[np.float64]
    near: NDArray[np.float64]
    stale: BoolArray
    clipped: BoolArray


@dataclass(frozen=True, slots=True)
class Windows:
    """Squares of 16 x 16 pixels.

    ``difference`` (m, 16, 16, 3): of two far frames, over the square root of two. ``level``: mean of the burst there,
    smoothed over 3 x 3 pixels. ``third`` (m, 16, 16): luma of a frame that is neither of the two, NaN where there is
    none. ``patches`` (m, 4): rows of their `Patches`: upper left, upper right, lower left, lower
    right. ``even`` (m,): spread evenly over the picture; the others are spread over its levels.
    """

    difference: NDArray[np.float32]
    level: NDArray[np.float32]
    third: NDArray[np.float32]
    patches: NDArray[np.int64]
    even: BoolArray


@dataclass(slots=True)
class BurstTally:
    """Gather patches and windows from bursts of frames; memory is that of some thousand patches a burst."""

    bursts: int = 0
    pairs: int = 0
    count: int = 0
    columns: list[dict[str, NDArray]] = field(default_factory=list)
    pieces: list[tuple[NDArray, ...]] = field(default_factory=list)

    def add(self, strips: Sequence[NDArray[np.float32]], offsets: Sequence[int], clipped: BoolArray) -> None:
        """Add one burst.

        ``strips``: (h, w, 3) linear light each, of one pose, from `cut_strips`; ``offsets``: their frame numbers,
        ascending; ``clipped`` (h, w): where any of them is at its ceiling, from `cut_strips` too.

        Raises ValueError for fewer than two pictures.
        """
        if len(strips) < 2:
            raise ValueError("a burst holds at least two pictures")
        mean = np.asarray(np.mean(strips, axis=0, dtype=np.float32))
        level = _patch_mean(mean)
        pairs = list(combinations(range(len(strips)), 2))
        far = _far_pairs(offsets, pairs)
        variance, shift, near, stale = _measure_pairs(strips, offsets, pairs, far, level)
        cut = _patch_mean(clipped.astype(np.float32)[..., None])[:, 0] > 0
        n = len(level)
        self.columns.append({
            "place": np.arange(n), "burst": np.full(n, self.bursts), "level": level,
            "variance": variance, "shift": shift, "near": near, "stale": stale, "clipped": cut,
        })  # fmt: skip
        others = [one for k, one in enumerate(strips) if k not in far[0]]
        third = others[len(others) // 2] if others else np.full_like(mean, np.nan)
        self._keep_windows(strips[far[0][0]], strips[far[0][1]], third, mean, level, ~(stale | cut))
        self.bursts, self.pairs, self.count = self.bursts + 1, self.pairs + len(pairs), self.count + n

    def _keep_windows(
        self,
        first: NDArray[np.float32],
        second: NDArray[np.float32],
        third: NDArray[np.float32],
        mean: NDArray[np.float32],
        level: NDArray[np.float64],
        good: BoolArray,
    ) -> None:
        """Keep some windows of the burst's two farthest frames, out of those of which some patch may be used."""
        rows, columns = mean.shape[0] // PATCH, mean.shape[1] // PATCH
        numbers = np.arange(rows * columns).reshape(rows // 2, 2, columns // 2, 2).transpose(0, 2, 1, 3).reshape(-1, 4)
        usable = np.flatnonzero(good[numbers].any(axis=1))
        even = usable[list(space_evenly(0, len(usable) - 1, MOST_WINDOWS))] if len(usable) else usable
        others = np.setdiff1d(usable, even)
        rare = others[_spread_levels(level[numbers[others]].mean(axis=(1, 2)), MOST_WINDOWS // 2)]
        chosen = np.concatenate([even, rare])
        apart = (first - second) * np.float32(np.sqrt(0.5))
        known = np.arange(len(chosen)) < len(even)
        smooth = _pick(_smooth_strips(mean), chosen)
        luma = np.asarray(_pick(third, chosen) @ LUMA, np.float32)
        self.pieces.append((_pick(apart, chosen), smooth, luma, numbers[chosen] + self.count, known))

    def patches(self) -> Patches:
        """Return all patches. Raises ValueError where no burst was added."""
        names = Patches.__dataclass_fields__
        return Patches(**{name: np.concatenate([one[name] for one in self.columns]) for name in names})

    def windows(self) -> Windows:
        """Return all windows. Raises ValueError where no burst was added."""
        return Windows(*(np.concatenate(part) for part in zip(*self.pieces, strict=True)))


def cut_strips(picture: NDArray) -> NDArray:
    """Return strips of 16 rows of a picture (H, W) or (H, W, 3), joined and cut to whole windows: all of them, or in
    large pictures as many as it takes, evenly spaced."""
    step = max(1, round(picture.shape[0] * picture.shape[1] / PATCH**2 / MOST_PATCHES))
    height, width = (side // WINDOW * WINDOW for side in picture.shape[:2])
    rest = picture.shape[2:]
    strips = picture[:height, :width].reshape(height // WINDOW, WINDOW, width, *rest)
    chosen = strips[step // 2 :: step] if height > step * WINDOW else strips
    return np.ascontiguousarray(chosen).reshape(-1, width, *rest)


def _patch_mean(picture: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the mean of every patch, (p, channels) float64."""
    height, width, channels = picture.shape
    small = cv2.resize(picture, (width // PATCH, height // PATCH), interpolation=cv2.INTER_AREA)
    return np.asarray(small.reshape(-1, channels), np.float64)


def _smooth_strips(strips: NDArray[np.float32]) -> NDArray[np.float32]:
    """Smooth every strip by itself: a level that noise has no say in, as grain is laid by."""
    smooth = np.empty_like(strips)
    for y in range(0, len(strips), WINDOW):
        strip = strips[y : y + WINDOW]
        smooth[y : y + WINDOW] = cv2.blur(strip, (LEVEL_SIDE, LEVEL_SIDE), borderType=cv2.BORDER_REFLECT_101)
    return smooth


def _spread_levels(level: NDArray[np.float64], most: int) -> NDArray[np.int64]:
    """Return which windows to keep so that all levels have some, as indices; ``level`` (m,)."""
    order = np.argsort(level, kind="stable")
    if len(order) <= most:
        return np.asarray(order, np.int64)
    axis = np.log(np.maximum(level[order], 0) + 2e-3)
    wanted = np.linspace(axis[0], axis[-1], most)
    return np.asarray(order[np.unique(np.clip(np.searchsorted(axis, wanted), 0, len(order) - 1))], np.int64)


def _pick(picture: NDArray[np.float32], chosen: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return windows by number, (m, 16, 16, 3)."""
    height, width, channels = picture.shape
    tiles = picture.reshape(height // WINDOW, WINDOW, width // WINDOW, WINDOW, channels)
    return np.ascontiguousarray(tiles[chosen // (width // WINDOW), :, chosen % (width // WINDOW)])


def _far_pairs(offsets: Sequence[int], pairs: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the pairs that lie far apart, the farthest first."""
    widest = offsets[-1] - offsets[0]
    least = max(1, widest - NEAR) if widest > 2 * NEAR else widest
    far = [pair for pair in pairs if offsets[pair[1]] - offsets[pair[0]] >= least]
    return sorted(far, key=lambda pair: offsets[pair[0]] - offsets[pair[1]])


def _measure_pairs(
    strips: Sequence[NDArray[np.float32]],
    offsets: Sequence[int],
    pairs: Sequence[tuple[int, int]],
    far: Sequence[tuple[int, int]],
    level: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], BoolArray]:
    """Return far variance and squared shift (p, 3), variance at near lags (p, 3, 3), and which patches repeat."""
    count = len(level)
    variance, shift = np.zeros((count, 3)), np.zeros((count, 3))
    near, seen = np.zeros((count, NEAR, 3)), np.zeros(NEAR, int)
    stale = np.zeros(count, bool)
    for i, j in pairs:
        lag, is_far = offsets[j] - offsets[i], (i, j) in far
        if lag > NEAR and not is_far:
            continue
        own, moved = _difference_of(strips[i], strips[j], level)
        stale |= (own <= 0).all(axis=1) & (moved == 0).all(axis=1)
        if is_far:
            variance += own / len(far)
        if (i, j) == far[0]:
            shift = moved**2
        if lag <= NEAR:
            near[:, lag - 1] += own
            seen[lag - 1] += 1
    with np.errstate(invalid="ignore"):
        return variance, shift, near / np.where(seen, seen, np.nan)[:, None], stale


def _difference_of(
    first: NDArray[np.float32], second: NDArray[np.float32], level: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return half the variance of the difference within each patch, and how its mean changed, (p, 3) each.

    Notes: an even change of exposure (flicker, drift) is taken off first, for texture would change with it. The
    patch's own mean is taken out of its variance without a degree of freedom: whoever knows how the grain hangs
    together corrects for it.
    """
    gain = _common_gain(_patch_mean(first), _patch_mean(second), level)
    apart = first - second * gain.astype(np.float32)
    moved = _patch_mean(apart)
    return np.maximum(0.5 * (_patch_mean(apart * apart) - moved**2), 0), moved


def _common_gain(
    first: NDArray[np.float64], second: NDArray[np.float64], level: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the gain per channel that brings the second frame's light to the first's; exactly 1 where there is no
    change beyond its own error."""
    gain = np.ones(3)
    for c in range(3):
        bright = level[:, c] > max(float(np.median(level[:, c])), 1e-4)
        if bright.sum() < LEAST_FOR_GAIN:
            continue
        ratios = first[bright, c] / np.maximum(second[bright, c], 1e-6)
        low, middle, high = np.quantile(ratios, (0.25, 0.5, 0.75))
        error = 1.25 * (high - low) / 1.35 / np.sqrt(bright.sum())  # of a median
        if abs(middle - 1) > 4 * error:
            gain[c] = middle
    return gain
