"""The list of files in the report: numbered frames of one sequence stand on one line."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["fold_numbered"]

_NUMBERED = re.compile(r"^(?P<head>.+\.)(?P<digits>\d{4,})(?P<tail>\.[^.]+)$")
_LEAST = 3  # files; fewer are listed one by one


def fold_numbered(files: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return (name, what) rows in order, the files ``name.1001.exr`` ... as one ``name.1001-1100.exr`` at the first."""
    members: dict[tuple[str, str, str], list[str]] = {}
    for name, what in files:
        key = _sequence_of((name, what))
        if key is not None:
            members.setdefault(key, []).append(name)
    rows: list[tuple[str, str]] = []
    for name, what in files:
        key = _sequence_of((name, what))
        names = [] if key is None else members[key]
        if key is None or len(names) < _LEAST:
            rows.append((name, what))
        elif name == names[0]:
            digits = sorted((_digits_of(one) for one in names), key=int)
            rows.append((f"{key[0]}{digits[0]}\u2013{digits[-1]}{key[1]}", f"{what} ({len(names)} frames)"))
    return tuple(rows)


def _digits_of(name: str) -> str:
    match = _NUMBERED.match(name)
    assert match is not None  # only such names are folded
    return match["digits"]


def _sequence_of(row: tuple[str, str]) -> tuple[str, str, str] | None:
    match = _NUMBERED.match(row[0])
    return None if match is None else (match["head"], match["tail"], row[1])
