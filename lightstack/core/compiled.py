"""Compiling loops, with the machine code kept between runs where a folder for it can be written."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any

import numba
from numba import njit

__all__ = ["compile_loop", "run_bands"]

LEAST_VALUES_PER_BAND = 400_000  # smaller bands cost more to start than they save


def compile_loop(**options: Any) -> Callable[[Callable], Any]:
    """Give a decorator that compiles a function on its first call, without the interpreter's lock.

    ``options``: those of ``numba.njit``. The machine code is kept beside the package or in the user's cache
    folder; where neither can be written, it is compiled anew in every run. Arithmetic is never reordered.
    """

    def decorate(function: Callable) -> Any:
        try:
            return njit(cache=True, nogil=True, **options)(function)
        except RuntimeError:  # numba found no folder to keep the code in
            return njit(nogil=True, **options)(function)

    return decorate


def usable_threads() -> int:
    """How many threads loops may use: the processor cores, or fewer where NUMBA_NUM_THREADS says so."""
    return int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]


def run_bands(loop: Callable[..., None], rows: int, values_per_row: int, *arguments: Any) -> None:
    """Run ``loop(first_row, last_row, *arguments)`` over bands of ``rows``, one thread a band.

    The loop must have been made by ``compile_loop`` and write only its own rows; then the bytes do not depend
    on how many bands there are. Unlike the compiler's own threads, several callers may run this at once.
    """
    count = min(usable_threads(), rows * values_per_row // LEAST_VALUES_PER_BAND, rows)
    if count < 2:
        loop(0, rows, *arguments)
        return
    edges = [rows * i // count for i in range(count + 1)]
    with ThreadPoolExecutor(count - 1) as pool:
        others = [pool.submit(loop, a, b, *arguments) for a, b in pairwise(edges[1:])]
        loop(edges[0], edges[1], *arguments)
        for other in others:
            other.result()
