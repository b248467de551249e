"""Pictures in which some values may be no number: cleared of them, and their median."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lightstack.records import FloatArray

__all__ = ["median_of", "only_numbers"]


def only_numbers(picture: FloatArray) -> NDArray[np.float32]:
    """Return a picture of any shape as float32, black where it is no number or infinite; not copied where all is."""
    picture = np.asarray(picture, np.float32)
    with np.errstate(over="ignore", invalid="ignore"):  # a quick look: the sum of what is sound is a number, mostly
        whole = np.isfinite(picture.sum())
    return picture if whole else np.where(np.isfinite(picture), picture, np.float32(0))


def median_of(pictures: Sequence[FloatArray]) -> FloatArray:
    """Return the median over pictures of one shape, at least one, as ``np.median`` has it, several times as fast.

    No number where any of them is none.
    """
    stack = np.stack(pictures)
    stack.sort(axis=0)  # what is no number sorts last
    low, high = (len(stack) - 1) // 2, len(stack) // 2
    middle = stack[low] if low == high else (stack[low] + stack[high]) / 2
    return np.where(np.isnan(stack[-1]), stack[-1], middle)
