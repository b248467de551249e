"""Tables of lights that are made of single stills: weights by still, and where a light is over time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import UnreadableInput
from lightstack.files.csv_rows import read_rows
from lightstack.files.tables import write_csv

__all__ = ["TRACK_HEADERS", "read_track", "read_weights", "write_travel", "write_weights"]

TRACK_HEADERS = (("frame", "x", "y"), ("frame", "x", "y", "near"), ("frame", "x", "y", "z"))


def write_weights(path: Path, source_frames: Sequence[int], weights: NDArray[np.float64]) -> None:
    """Write still,weight: how much of each still (by its source frame) a light takes, those of none left out."""
    taken = [(n, w) for n, w in zip(source_frames, weights.tolist(), strict=True) if w > 0]
    write_csv(path, ("still", "weight"), taken)


def write_travel(
    path: Path, source_frames: Sequence[int], weights: NDArray[np.float64], *, first_frame: int
) -> None:
    """Write one row per shot frame, one column per still (by its source frame); ``weights`` (F, K)."""
    rows = [(first_frame + k, *row) for k, row in enumerate(weights.tolist())]
    write_csv(path, ("frame", *(f"still_{n:05d}" for n in source_frames)), rows)


def read_weights(path: Path) -> dict[int, float]:
    """Read a table still,weight. Raises MissingInput, UnreadableInput (with the line)."""
    found: dict[int, float] = {}
    for line, (still, weight) in read_numbers(path, (("still", "weight"),))[1]:
        if still != int(still) or still < 0:
            raise UnreadableInput(f"{path}, line {line}: still {still:g}; a still is named by its source frame")
        if weight < 0:
            raise UnreadableInput(f"{path}, line {line}: weight {weight:g} is negative; light only adds, so 0 or more")
        if int(still) in found:
            raise UnreadableInput(f"{path}, line {line}: still {int(still)} was given before; name each once")
        found[int(still)] = weight
    return found


def read_track(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None]:
    """Read where a light is: frames (n,), places (n, 2) in pixels, and how near it is (n,) 0 to 1, or None.

    A column ``z`` is a distance from the camera in any unit; its nearest and farthest become 1 and 0. Raises
    MissingInput, UnreadableInput (with the line).
    """
    header, rows = read_numbers(path, TRACK_HEADERS)
    for (_, before), (line, row) in zip(rows, rows[1:], strict=False):
        if row[0] <= before[0]:
            raise UnreadableInput(f"{path}, line {line}: frame {row[0]:g} follows {before[0]:g}; frames must ascend")
    table = np.array([row for _, row in rows])
    near = table[:, 3] if len(header) == 4 else None
    if near is not None and header[3] == "z":
        span = float(np.ptp(near))
        near = (near.max() - near) / span if span > 0 else np.full(len(near), 0.5)
    elif near is not None and (near.min() < 0 or near.max() > 1):
        line = rows[int(np.argmax((near < 0) | (near > 1)))][0]
        raise UnreadableInput(f"{path}, line {line}: near lies outside 0 (far) to 1; call the column z for a distance")
    return table[:, 0], table[:, 1:3], near


def read_numbers(
    path: Path, headers: Sequence[tuple[str, ...]]
) -> tuple[tuple[str, ...], list[tuple[int, tuple[float, ...]]]]:
    """Read a CSV of numbers under one of several headers; return that header and (line, numbers) of every row."""
    first, *found = read_rows(path) or [(1, [])]
    header = tuple(cell.strip().lower() for cell in first[1])
    if header not in headers:
        wanted = " or ".join(",".join(one) for one in headers)
        begin = " ".join(",".join(header).split())[:60] or "nothing"
        raise UnreadableInput(f"{path}: begins with {begin}; expected {wanted}")
    rows = [(line, parse_row(path, line, cells, header)) for line, cells in found]
    if not rows:
        raise UnreadableInput(f"{path}: holds no row; expected {','.join(header)}")
    return header, rows


def parse_row(path: Path, line: int, cells: Sequence[str], header: tuple[str, ...]) -> tuple[float, ...]:
    """Return a row's numbers. Raises UnreadableInput where one is missing or is none."""
    try:
        numbers = tuple(float(cell) for cell in cells)
    except ValueError:
        numbers = ()
    if len(numbers) != len(header) or not all(math.isfinite(number) for number in numbers):
        raise UnreadableInput(f"{path}, line {line}: {','.join(cells)[:60]!r}; expected {','.join(header)} as numbers")
    return numbers
