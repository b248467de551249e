"""Frames over one another: median, mean and sigma-clipped mean of every pixel over time.

The result is the same to the last bit whatever rows are worked on together and by however many threads, because every
value is reduced by itself. Values that are NaN are *not seen* and left out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.clean import median_kernels as kernels
from lightstack.core.compiled import usable_threads
from lightstack.core.half import HALF_VALUES

__all__ = ["METHODS", "Reduced", "list_sorting_steps", "noise_share", "prune_steps", "reduce_frames"]

METHODS = ("median", "mean", "sigma_clip")
CLIP_SIGMAS = 3.0  # common practice of stacking
CLIP_ROUNDS = 5
LEAST_VALUES_PER_THREAD = 100_000

Steps = Sequence[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Reduced:
    """``light`` (rows, W, C) float32, NaN where nothing was seen; ``seen`` (rows, W) uint16: of how many frames it is,
    in the channel that has the fewest."""

    light: NDArray[np.float32]
    seen: NDArray[np.uint16]


def reduce_frames(
    frames: NDArray,
    *,
    method: str = "median",
    rows: tuple[int, int] | None = None,
    table: NDArray[np.float32] | None = None,
    sigmas: float = CLIP_SIGMAS,
    least_sigma: float = 0.0,
    threads: int = 0,
) -> Reduced:
    """Reduce frames over time.

    Parameters
    ----------
    frames : (n, H, W, C), C-contiguous: float16 or float32 light, or uint8 or uint16 codes. May be memory-mapped.
    method : one of `METHODS`. The median of an even number is the mean of the two in the middle.
    rows : first and last row (excluded) to work on; all by default.
    table : light by code, rising, where ``frames`` holds codes; by default codes are returned as numbers.
    sigmas, least_sigma : of the sigma-clipped mean: how far from the median in its own robust sigma (1.4826 times the
        median distance, `least_sigma` at the least), in up to five rounds.
    threads : 0 = as many as there are cores.

    Raises
    ------
    ValueError
        For an unknown method, no frames, or an array of another kind.

    Notes
    -----
    Light of codes is looked up after sorting, which is the same as before because the table rises. Cost of a median of
    31 frames: about 20 ns a value and thread.

    References
    ----------
    Batcher 1968, "Sorting networks and their applications", AFIPS 32 (odd-even merge).
    """
    if method not in METHODS:
        raise ValueError(f"method {method!r} is unknown; use one of {', '.join(METHODS)}")
    flat, kind, unseen = view_values(frames)
    n, height, width, channels = frames.shape
    top, bottom = rows or (0, height)
    offset, count = top * width * channels, (bottom - top) * width * channels
    light, seen = np.empty(count, np.float32), np.empty(count, np.uint16)
    look_up = light_by_key(frames.dtype, table)

    def work(first: int, last: int) -> None:
        place = (first, last, offset, flat, kind, unseen)
        if method == "median":
            kernels.middle_segments(*place, middle_steps(n), sorting_steps(n), look_up, light, seen)
        elif method == "mean":
            kernels.mean_segments(*place, look_up, light, seen)
        else:
            kernels.clip_segments(*place, sorting_steps(n), look_up, sigmas, least_sigma, CLIP_ROUNDS, light, seen)

    run_spans(work, count, threads)
    shape = (bottom - top, width, channels)
    return Reduced(light.reshape(shape), seen.reshape(shape).min(axis=2))


def view_values(frames: NDArray) -> tuple[NDArray, int, Any]:
    """Return frames as (n, values) whole numbers without copying, their kind, and the key of what is not seen."""
    kinds = {"float16": kernels.HALVES, "float32": kernels.FLOATS, "uint8": kernels.CODES, "uint16": kernels.CODES}
    kind = kinds.get(frames.dtype.name)
    if kind is None or frames.ndim != 4 or not len(frames) or not frames.flags.c_contiguous:
        raise ValueError(
            f"frames are {frames.dtype} {frames.shape}; expected C-contiguous (n, H, W, C) of float16, float32, uint8 "
            "or uint16, at least one"
        )
    whole = np.dtype(f"u{frames.dtype.itemsize}")
    flat = np.asarray(frames).reshape(len(frames), -1).view(whole)
    return flat, kind, whole.type(2 ** (8 * whole.itemsize) - 1)


def light_by_key(kind: np.dtype, table: NDArray[np.float32] | None) -> NDArray[np.float32]:
    """Return light by sorting key of 8 or 16 bits; for 32-bit floats, which are their own keys, nothing.

    Raises ValueError for a table that is too short or falls.
    """
    if kind == np.float16:
        bits = np.arange(65536, dtype=np.uint16)
        return HALF_VALUES[np.where(bits & 0x8000, bits & 0x7FFF, ~bits)]
    if kind == np.float32:
        return np.zeros(1, np.float32)
    codes = 2 ** (8 * kind.itemsize)
    if table is None:
        return np.arange(codes, dtype=np.float32)
    if len(table) < codes or np.any(np.diff(table) < 0):
        raise ValueError(f"the table of light must rise and have {codes} entries, it has {len(table)}")
    return np.ascontiguousarray(table, np.float32)


def run_spans(work: Callable[[int, int], None], count: int, threads: int) -> None:
    """Run ``work(first, last)`` over spans of ``count`` values, one a thread."""
    wanted = threads or usable_threads()
    spans = max(1, min(wanted, count // LEAST_VALUES_PER_THREAD))
    edges = [count * i // spans for i in range(spans + 1)]
    if count == 0:
        return
    if spans == 1:
        work(0, count)
        return
    with ThreadPoolExecutor(spans - 1) as pool:
        others = [pool.submit(work, a, b) for a, b in pairwise(edges[1:])]
        work(edges[0], edges[1])
        for other in others:
            other.result()


@lru_cache(maxsize=64)
def sorting_steps(count: int) -> NDArray[np.int64]:
    """Return the steps that sort ``count`` rows, (k, 3): rows a < b and 0, both are kept."""
    steps = list_sorting_steps(count)
    return np.array([(a, b, 0) for a, b in steps], np.int64).reshape(-1, 3)


@lru_cache(maxsize=64)
def middle_steps(count: int) -> NDArray[np.int64]:
    """Return the steps that bring the middle one or two of ``count`` rows into place, (k, 3)."""
    return prune_steps(list_sorting_steps(count), {(count - 1) // 2, count // 2})


def list_sorting_steps(count: int) -> list[tuple[int, int]]:
    """List the compare-exchange steps of odd-even merge sort for ``count`` rows.

    Notes: it is the network for the next power of two; rows beyond ``count`` would hold the largest values, which no
    step moves, so their steps are left out.
    """
    size = 1 << max(0, count - 1).bit_length()
    steps = []
    run = 1
    while run < size:
        reach = run
        while reach >= 1:
            for start in range(reach % run, size - reach, 2 * reach):
                for low in range(start, min(start + reach, size - reach)):
                    high = low + reach
                    if low // (2 * run) == high // (2 * run) and high < count:
                        steps.append((low, high))
            reach //= 2
        run *= 2
    return steps


def prune_steps(steps: Steps, wanted: set[int]) -> NDArray[np.int64]:
    """Leave out steps, or halves of them, that no ``wanted`` row depends on; (k, 3) with 0 both, 1 low, 2 high kept."""
    needed = set(wanted)
    kept = []
    for low, high in reversed(steps):
        both = (low in needed, high in needed)
        if any(both):
            kept.append((low, high, {(True, True): 0, (True, False): 1, (False, True): 2}[both]))
            needed |= {low, high}
    return np.array(kept[::-1], np.int64).reshape(-1, 3)


def noise_share(seen: NDArray, *, method: str = "median") -> NDArray[np.float32]:
    """Return how much of one frame's noise is left over ``seen`` frames: the share of its sigma; NaN for none.

    Notes: the mean leaves 1 / sqrt(n). A median leaves sqrt((pi / 2) / (n - 1 + pi / 2)), exact for one frame and for
    very many, within 1.2 % between; of an even number, which is a mean of two, slightly less. A clipped mean that keeps
    what is noise is a mean.

    References: Kendall and Stuart, "The Advanced Theory of Statistics" vol. 1, 4th ed., 14.5: the variance of a median
    tends to (pi / 2) sigma^2 / n (from memory).
    """
    n = np.where(np.asarray(seen) > 0, seen, np.nan).astype(np.float64)
    share = np.sqrt((np.pi / 2) / (n - 1 + np.pi / 2)) if method == "median" else 1 / np.sqrt(n)
    return share.astype(np.float32)
