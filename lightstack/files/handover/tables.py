"""Tables that a hand-over reads of a build: weights of stills over time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnreadableInput
from lightstack.files.csv_rows import read_rows
from lightstack.files.limits import check_limit

__all__ = ["read_still_columns"]

STILL = "still_"


def read_still_columns(path: Path) -> tuple[NDArray[np.int64], tuple[int, ...], NDArray[np.float64]] | None:
    """Read a table of frames (n,) with a column for every still: frames, the stills' source frames, weights (n, k).

    None where the table holds something else. Raises MissingInput, UnreadableInput where a number is none.
    """
    header, *rows = [cells for _, cells in read_rows(path)] or [[]]
    if len(header) < 2 or header[0] != "frame" or not all(name.startswith(STILL) for name in header[1:]):
        return None
    try:
        numbers = np.array([[float(cell) for cell in row] for row in rows], np.float64).reshape(len(rows), len(header))
        stills = tuple(int(name.removeprefix(STILL)) for name in header[1:])
        if not np.isfinite(numbers).all():
            raise ValueError("or an infinite one")
    except ValueError as error:
        raise UnreadableInput(f"{path}: holds what is no number ({error}); build again") from error
    check_limit(path, "FRAME_NUMBER", int(np.abs(numbers[:, 0]).max(initial=0)))
    return numbers[:, 0].astype(np.int64), stills, numbers[:, 1:]
