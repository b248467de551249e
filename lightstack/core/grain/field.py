"""Grain made anew: a field of unit variance with a camera's texture, different in every frame, the same every time.

Every value follows from a counter (seed, frame, field, row, column) and from nothing else, so the bytes depend neither
on the number of threads nor on the order of frames, and nothing is tiled. White values are filtered by a small kernel
whose autocorrelation is the camera's, and mixed across the channels.

References
----------
Steele, Lea, Flood, Fast splittable pseudorandom number generators, OOPSLA 2014: the mixing function of 64 bits.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtri

from lightstack.core.compiled import compile_loop, run_bands
from lightstack.records import GrainProfile
from lightstack.records.grain import REACH

__all__ = ["GrainBelow", "GrainModel", "find_kernel", "make_model", "paint_grain", "unit_field"]

TABLE_BITS = 12  # of the strength's table: even steps in the root of the level
TOP_LEVEL = 64.0  # linear level beyond which strength stays as it is
SIDE = 2 * REACH + 1
SPECTRUM = 32  # samples a side on which a spectrum is made positive
QUANTILES = 65536
VALUES_PER_PIXEL = 60  # a pixel of grain costs about as much as that many of a plain loop
LEAST_TAP = 2e-3  # of the kernel's largest: below that a tap changes no correlation by a thousandth


@dataclass(frozen=True, slots=True, eq=False)
class GrainModel:
    """A profile made ready. ``taps`` (3, 7, 7): kernels; ``mix`` (3, 3): lower triangle; ``variance`` (3, 4097): by
    root of the level, up to 64, at like detail."""

    taps: NDArray[np.float32]
    mix: NDArray[np.float32]
    variance: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class GrainBelow:
    """Grain that is there already: its ``level`` (H, W, 3), ``share`` (H, W) of it that was taken away (None: nothing).
    Where ``relit`` equals ``hero`` (H, W, 3) and nothing was taken away, nothing is to be added. ``detail`` (H, W): of
    its variance, by the detail around; None: 1."""

    level: NDArray[np.float32]
    share: NDArray[np.float32] | None
    relit: NDArray[np.float32]
    hero: NDArray[np.float32]
    detail: NDArray[np.float32] | None = None


@lru_cache(maxsize=8)
def make_model(profile: GrainProfile) -> GrainModel:
    """Make what is needed to paint a profile's grain; kept for the profiles used last."""
    kernels = np.stack([find_kernel(profile.autocorrelation[c]) for c in range(3)])
    kernels[np.abs(kernels) < LEAST_TAP * kernels.max()] = 0  # independent pixels cost one row in place of seven
    kernels /= np.sqrt((kernels**2).sum(axis=(1, 2), keepdims=True))
    level = (np.arange((1 << TABLE_BITS) + 1) * (np.sqrt(TOP_LEVEL) / (1 << TABLE_BITS))) ** 2
    return GrainModel(
        kernels.astype(np.float32),
        _find_mix(profile.channels, kernels).astype(np.float32),
        np.stack([profile.even_variance_at(c, level) for c in range(3)]).astype(np.float32),
    )


def find_kernel(rho: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a (7, 7) kernel of unit power whose autocorrelation is ``rho`` (7, 7) at lags up to 3.

    Notes: begins with the root of the spectrum, what is negative in it left out (a measured autocorrelation that is
    cut off need not be one), and then fits the cut-off kernel to ``rho`` by least squares.
    """
    place = np.zeros((SPECTRUM, SPECTRUM))
    lags = np.arange(-REACH, REACH + 1)
    place[np.ix_(lags % SPECTRUM, lags % SPECTRUM)] = 0.5 * (rho + rho[::-1, ::-1])
    spectrum = np.maximum(np.fft.fft2(place).real, 1e-4)
    root = np.fft.ifft2(np.sqrt(spectrum)).real[np.ix_(lags % SPECTRUM, lags % SPECTRUM)]
    half = SIDE * SIDE // 2 + 1  # a kernel that is the same turned by half a turn

    def unfold(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([values, values[-2::-1]]).reshape(SIDE, SIDE)

    def miss(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return (correlate_kernels(unfold(values), unfold(values)) - rho).ravel()[:half]

    found = least_squares(miss, root.ravel()[:half], method="trf", max_nfev=60)
    kernel = unfold(found.x)
    return np.asarray(kernel / np.sqrt((kernel**2).sum()))


def correlate_kernels(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the correlation at lags up to 3, (7, 7), of white noise filtered by the one and by the other."""
    padded = (SPECTRUM, SPECTRUM)
    product = np.fft.ifft2(np.fft.fft2(first, padded) * np.conj(np.fft.fft2(second, padded))).real
    lags = np.arange(-REACH, REACH + 1) % SPECTRUM
    return np.asarray(product[np.ix_(lags, lags)])


def _find_mix(channels: NDArray[np.float64], kernels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how white fields are mixed so that the filtered ones correlate as ``channels``, lower triangle (3, 3).

    Notes: kernels of unlike channels overlap by less than 1, so the white fields must hang together more; where they
    would have to by more than wholly, they do so as far as is possible.
    """
    overlap = np.array([[float((one * other).sum()) for other in kernels] for one in kernels])
    wanted = np.clip(channels / overlap, -0.999, 0.999)
    np.fill_diagonal(wanted, 1)
    values, vectors = np.linalg.eigh(0.5 * (wanted + wanted.T))
    near = vectors @ np.diag(np.maximum(values, 1e-4)) @ vectors.T
    root = np.sqrt(np.diag(near))
    return np.asarray(np.linalg.cholesky(near / np.outer(root, root)))


# --- painting --------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _quantiles() -> NDArray[np.float32]:
    """Return 65,536 quantiles of the normal distribution, unit variance."""
    values = ndtri((np.arange(QUANTILES) + 0.5) / QUANTILES)
    return np.asarray(values / np.sqrt((values**2).mean()), np.float32)


def make_key(seed: int, frame: int, field: int) -> np.uint64:
    """Return the key of a field of values; neighbouring seeds, frames and fields have nothing in common."""
    return np.uint64(np.random.SeedSequence([seed, frame, field]).generate_state(1, np.uint64)[0])


def unit_field(size: tuple[int, int], profile: GrainProfile, *, seed: int, frame: int, field: int = 0) -> NDArray:
    """Return grain of unit variance at every level, (H, W, 3) float32: texture alone."""
    model = make_model(profile)
    even = GrainModel(model.taps, model.mix, np.ones_like(model.variance))
    blank = np.zeros((*size, 3), np.float32)
    return paint_grain(even, blank, seed=seed, frame=frame, field=field)


def paint_grain(
    model: GrainModel,
    level: NDArray[np.float32],
    over: GrainBelow | None = None,
    *,
    detail: NDArray[np.float32] | None = None,
    seed: int,
    frame: int,
    field: int,
) -> NDArray[np.float32]:
    """Return grain of the variance that a camera makes at ``level`` (H, W, 3), less what is there already.

    ``over``: what is there already; None: nothing. ``detail`` (H, W): how much of the variance there is, by the detail
    around; None: 1. Result (H, W, 3) float32; arrays are float32 and C-contiguous.
    """
    height, width = level.shape[:2]
    out = np.empty((height, width, 3), np.float32)
    nothing = np.zeros((1, 1), np.float32)
    below = (level, nothing, level, level) if over is None else (over.level, over.share, over.relit, over.hero)
    details = (detail, None if over is None else over.detail)
    run_bands(
        _paint_rows, height, width * VALUES_PER_PIXEL, make_key(seed, frame, field), _quantiles(), model.taps,
        model.mix, model.variance, np.float32((1 << TABLE_BITS) / np.sqrt(TOP_LEVEL)), level, over is not None,
        below[0], nothing if below[1] is None else below[1], below[2], below[3],
        *(nothing if one is None else one for one in details), out,
    )  # fmt: skip
    return out


@compile_loop(inline="always")
def _stir(value):
    """Mix 64 bits (Steele, Lea, Flood 2014, figure 17: its finaliser)."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


@compile_loop()
def _draw_row(key, row, quantiles, mix, white):
    """Fill ``white`` (3, n) with mixed white values of one row; n is a multiple of 4."""
    step = np.uint64(0x9E3779B97F4A7C15)
    low = np.uint64(0xFFFF)
    start = _stir(key + np.uint64(row + 64) * step)
    count = white.shape[1] // 4
    for c in range(3):
        line = white[c]
        for i in range(count):
            bits = _stir(start + np.uint64(1 + c * count + i) * step)
            line[4 * i] = quantiles[bits & low]
            line[4 * i + 1] = quantiles[(bits >> np.uint64(16)) & low]
            line[4 * i + 2] = quantiles[(bits >> np.uint64(32)) & low]
            line[4 * i + 3] = quantiles[bits >> np.uint64(48)]
    for x in range(white.shape[1]):
        red, green, blue = white[0, x], white[1, x], white[2, x]
        white[1, x] = mix[1, 0] * red + mix[1, 1] * green
        white[2, x] = mix[2, 0] * red + mix[2, 1] * green + mix[2, 2] * blue


@compile_loop()
def _add_filtered(total, line, taps):
    """Add a line filtered by one row of a kernel, (7,): a loop of its own so that it runs on many values at once."""
    a, b, c, d, e, f, g = taps[0], taps[1], taps[2], taps[3], taps[4], taps[5], taps[6]
    for x in range(total.shape[0]):
        near = a * line[x] + b * line[x + 1] + c * line[x + 2] + d * line[x + 3]
        total[x] += near + (e * line[x + 4] + f * line[x + 5] + g * line[x + 6])


@compile_loop(inline="always")
def _variance_of(level, table, scale):
    """Variance at a level, between the table's steps."""
    at = min(np.sqrt(max(level, np.float32(0))) * scale, np.float32(table.shape[0] - 1.001))
    below = int(at)
    part = at - np.float32(below)
    return table[below] + part * (table[below + 1] - table[below])


@compile_loop()
def _weigh_row(total, variance, scale, level, rich, out):
    """Write one row of grain: the filtered values times the root of their variance; ``rich`` (n,): its share by detail.
    No branch within: it runs on many values at once."""
    for x in range(out.shape[0]):
        for c in range(3):
            out[x, c] = total[c, x] * np.sqrt(rich[x] * _variance_of(level[x, c], variance[c], scale))


@compile_loop()
def _weigh_less(total, variance, scale, level, less_level, rich, left, out):
    """Write one row of grain that is laid over grain: ``left`` (n,) is how much of its variance is still there."""
    for x in range(out.shape[0]):
        for c in range(3):
            missing = rich[x] * _variance_of(level[x, c], variance[c], scale)
            missing -= left[x] * _variance_of(less_level[x, c], variance[c], scale)
            out[x, c] = total[c, x] * np.sqrt(max(missing, np.float32(0)))


@compile_loop()
def _mark_row(share, has_share, relit, hero, left, same):
    """Fill how much variance is left (n,) and where a pixel shall hold no grain (n,): it is as it was, and none was
    taken away. Returns whether that holds for the whole row."""
    one, idle = np.float32(1), True
    for x in range(left.shape[0]):
        taken = share[x] if has_share else np.float32(0)
        left[x] = (one - taken) * (one - taken)
        alike = relit[x, 0] == hero[x, 0] and relit[x, 1] == hero[x, 1] and relit[x, 2] == hero[x, 2]
        same[x] = alike and taken == 0
        idle = idle and same[x]
    return idle


@compile_loop()
def _clear_row(same, out):
    for x in range(out.shape[0]):
        if same[x]:
            out[x, 0] = out[x, 1] = out[x, 2] = 0


@compile_loop()
def _paint_rows(
    first, last, key, quantiles, taps, mix, variance, scale, level, lessen, less_level, share, relit, hero, detail,
    less_detail, out
):
    """Paint rows ``first`` to ``last``; seven rows of white values are held at a time."""
    width = out.shape[1]
    ring = np.empty((7, 3, (width + 6 + 3) // 4 * 4), np.float32)
    held = np.full(7, -1000, np.int64)
    total, left, same = np.empty((3, width), np.float32), np.empty(width, np.float32), np.empty(width, np.bool_)
    has_share, even = share.shape[0] > 1, np.ones(width, np.float32)
    for y in range(first, last):
        if lessen and _mark_row(share[y if has_share else 0], has_share, relit[y], hero[y], left, same):
            out[y] = 0
            continue
        for row in range(y - 3, y + 4):
            slot = (row + 7) % 7
            if held[slot] != row:
                _draw_row(key, row, quantiles, mix, ring[slot])
                held[slot] = row
        total[:] = 0
        for c in range(3):
            for k in range(7):
                if (taps[c, k] != 0).any():
                    _add_filtered(total[c], ring[(y + k + 4) % 7, c], taps[c, k])
        rich = detail[y] if detail.shape[0] > 1 else even
        if lessen:
            if less_detail.shape[0] > 1:
                left *= less_detail[y]
            _weigh_less(total, variance, scale, level[y], less_level[y], rich, left, out[y])
            _clear_row(same, out[y])
        else:
            _weigh_row(total, variance, scale, level[y], rich, out[y])
