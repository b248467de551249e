"""Tables that a hand-over reads of a build: weights of stills over time."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnreadableInput

__all__ = ["read_still_columns"]

STILL = "still_"


def read_still_columns(path: Path) -> tuple[NDArray[np.int64], tuple[int, ...], NDArray[np.float64]] | None:
    """Read a table of frames (n,) with a column for every still: frames, the stills' source frames, weights (n, k).

    None where the table holds something else. Raises UnreadableInput where a number is none.
    """
    with path.open(newline="", encoding="utf-8") as stream:
        header, *rows = list(csv.reader(stream)) or [[]]
    if len(header) < 2 or header[0] != "frame" or not all(name.startswith(STILL) for name in header[1:]):
        return None
    try:
        numbers = np.array([[float(cell) for cell in row] for row in rows], np.float64).reshape(len(rows), len(header))
        stills = tuple(int(name.removeprefix(STILL)) for name in header[1:])
    except ValueError as error:
        raise UnreadableInput(f"{path}: holds what is no number ({error}); build again") from error
    return numbers[:, 0].astype(np.int64), stills, numbers[:, 1:]
