"""Compiling loops, with the machine code kept between runs where a folder for it can be written."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit

__all__ = ["compile_loop"]


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
