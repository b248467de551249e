"""The list of files in the report: numbered frames of one sequence stand on one line."""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import groupby

__all__ = ["fold_numbered"]

_NUMBERED = re.compile(r"^(?P<head>.+\.)(?P<digits>\d{4,})(?P<tail>\.[^.]+)$")
_LEAST = 3  # files; fewer are listed one by one


def fold_numbered(files: Sequence[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return (name, what) rows in order, a run of ``name.1001.exr`` ... as one ``name.1001-1100.exr``."""
    rows: list[tuple[str, str]] = []
    for key, group in groupby(files, key=_sequence_of):
        members = list(group)
        if key is None or len(members) < _LEAST:
            rows += members
            continue
        head, tail, what = key
        first, last = (_NUMBERED.match(name)["digits"] for name in (members[0][0], members[-1][0]))  # type: ignore[index]
        rows.append((f"{head}{first}\u2013{last}{tail}", f"{what} ({len(members)} frames)"))
    return tuple(rows)


def _sequence_of(row: tuple[str, str]) -> tuple[str, str, str] | None:
    match = _NUMBERED.match(row[0])
    return None if match is None else (match["head"], match["tail"], row[1])
