"""A still brought to screen size band by band: the mean of the area under each pixel, of what is valid."""

# mypy: allow-untyped-defs

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.records import FloatArray

__all__ = ["StillReducer"]

LEAST_SHARE = 1e-9  # smaller ones are what rounding leaves of none


class StillReducer:
    """Takes the rows of one still of ``size`` (H, W) and gives it at ``proxy`` (h, w), which is not larger.

    ``guides``: planes of its guide, 0 for none. ``believe``: light is the mean of what is valid; else of all there is.
    """

    def __init__(self, size: tuple[int, int], proxy: tuple[int, int], guides: int, *, believe: bool) -> None:
        self._believe = believe
        self._rows, self._columns = (spread_over(full, small) for full, small in zip(size, proxy, strict=True))
        self._sums = np.zeros((*proxy, 4 + guides), np.float32)

    def add(self, first: int, light: FloatArray, valid: FloatArray, guide: FloatArray) -> None:
        """Take rows from ``first`` on: light (n, W, 3), validity (n, W), guide (n, W, G)."""
        _add_rows(
            first, np.ascontiguousarray(light, np.float32), np.ascontiguousarray(valid, np.float32),
            np.ascontiguousarray(guide, np.float32), self._believe, *self._rows, *self._columns, self._sums,
        )  # fmt: skip

    def finish(self) -> NDArray[np.float32]:
        """Return planes R, G, B, validity and guide, (h, w, 4 + G); the first and the guide times validity where they
        are means of what is valid."""
        return self._sums


def spread_over(full: int, small: int) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    """Return for each of ``full`` places which of ``small`` ones it begins in, its share of that and of the next.

    Shares of one of the small ones sum to 1.
    """
    edges = np.arange(full + 1) * small / full
    place = np.minimum(np.floor(edges[:-1] + 1e-9).astype(np.int64), small - 1)
    own = np.minimum(edges[1:], place + 1) - edges[:-1]
    rest = small / full - own
    rest = np.where((place + 1 < small) & (rest > LEAST_SHARE), rest, 0)
    return place, own.astype(np.float32), rest.astype(np.float32)


@compile_loop()
def _gather_row(light, valid, guide, believe, columns, own, rest, row):
    """Bring one row of a still across: sums over the places of ``row`` (w, 4 + G)."""
    groups = guide.shape[1]
    zero, one = np.float32(0), np.float32(1)
    row[:] = zero
    for x in range(valid.shape[0]):
        red, green, blue, trust = light[x, 0], light[x, 1], light[x, 2], valid[x]
        total = red + green + blue
        for g in range(groups):
            total += guide[x, g]
        if not np.isfinite(total):
            continue
        counts = trust if believe else one
        to, share, after = columns[x], own[x], rest[x]
        weight = share * counts
        row[to, 0] += weight * red
        row[to, 1] += weight * green
        row[to, 2] += weight * blue
        row[to, 3] += share * trust
        for g in range(groups):
            row[to, 4 + g] += weight * guide[x, g]
        if after > zero:
            weight = after * counts
            row[to + 1, 0] += weight * red
            row[to + 1, 1] += weight * green
            row[to + 1, 2] += weight * blue
            row[to + 1, 3] += after * trust
            for g in range(groups):
                row[to + 1, 4 + g] += weight * guide[x, g]


@compile_loop()
def _add_rows(first, light, valid, guide, believe, rows, row_own, row_rest, columns, own, rest, sums):
    """Add rows of a still to ``sums`` (h, w, 4 + G); places and shares as `spread_over` gives them."""
    row = np.empty(sums.shape[1:], np.float32)
    for i in range(len(valid)):
        _gather_row(light[i], valid[i], guide[i], believe, columns, own, rest, row)
        for part in range(2):
            share = row_own[first + i] if part == 0 else row_rest[first + i]
            if share > np.float32(0):
                y = rows[first + i] + part
                for x in range(row.shape[0]):
                    for c in range(row.shape[1]):
                        sums[y, x, c] += share * row[x, c]
