"""Numbered stills: which files belong together, and which numbers are missing."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.limits import check_limit

__all__ = ["STILL_SUFFIXES", "StillSequence", "find_stills", "looks_like_stills"]

STILL_SUFFIXES = (".exr", ".dpx", ".tif", ".tiff", ".png", ".jpg", ".jpeg")

_PLACE = re.compile(r"#+|%0?(\d*)d")
# The last digits before the suffix count frames, unless a "v" before them says that they count versions.
_NUMBERED = re.compile(r"^(?P<head>.*?)(?P<digits>\d+)(?P<tail>\.[^.]+)$")
_VERSION = re.compile(r"(^|[^a-z])v$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class StillSequence:
    """Numbered stills of one take.

    ``paths``: frame number -> file, ascending. ``gaps``: inclusive ranges of missing numbers. ``pattern``:
    the common name with ``#`` for the digits. A single still without a number is frame 1.
    """

    paths: dict[int, Path]
    gaps: tuple[tuple[int, int], ...]
    pattern: str

    @property
    def first(self) -> int:
        return next(iter(self.paths))

    @property
    def last(self) -> int:
        return next(reversed(self.paths))

    def __len__(self) -> int:
        return len(self.paths)


def looks_like_stills(path: str | Path) -> bool:
    """Tell whether ``path`` names stills: a still's suffix, a number pattern, or a folder."""
    path = Path(path)
    return path.suffix.lower() in STILL_SUFFIXES or path.is_dir()


def find_stills(path: str | Path, *, allow_gaps: bool = False) -> StillSequence:
    """Find the numbered stills that ``path`` means.

    Parameters: ``path`` is one file of the sequence (``name.1001.exr``), a pattern (``name.####.exr``,
    ``name.%04d.png``; four places admit longer numbers too), or a folder that holds one sequence.
    ``allow_gaps``: list missing numbers in the result instead of refusing.
    Raises: MissingInput where nothing is there; MismatchedInput where numbers are missing or come twice, or a
    folder holds several sequences; UnreadableInput where the file is not a still.
    """
    path = Path(path)
    if path.is_dir():
        sequence = _find_in_folder(path)
    elif _PLACE.search(path.name):
        sequence = _find_by_pattern(path)
    else:
        sequence = _find_around(path)
    if sequence.gaps and not allow_gaps:
        raise MismatchedInput(
            f"{(path if path.is_dir() else path.parent) / sequence.pattern}: {_say_ranges(sequence.gaps)} missing "
            f"(frames {sequence.first}-{sequence.last} expected); supply them, or renumber the stills"
        )
    return sequence


def _find_in_folder(folder: Path) -> StillSequence:
    groups: dict[tuple[str, str], list[tuple[int, Path]]] = {}
    for file in _stills_in(folder):
        head, number, tail = _split_name(file.name)
        groups.setdefault((head, tail), []).append((1 if number is None else int(number), file))
    if not groups:
        raise MissingInput(f"{folder}: holds no stills ({', '.join(STILL_SUFFIXES)} expected)")
    if len(groups) > 1:
        names = sorted(f"{head}#{tail}" for head, tail in groups)
        shown = ", ".join(names[:4]) + (", ..." if len(names) > 4 else "")
        raise MismatchedInput(f"{folder}: holds {len(groups)} sequences ({shown}); name one of them")
    ((head, tail), found), *_ = groups.items()
    return _order(found, f"{head}#{tail}", folder)


def _find_by_pattern(path: Path) -> StillSequence:
    place = _PLACE.search(path.name)
    assert place is not None  # the caller has looked
    head, tail = path.name[: place.start()], path.name[place.end() :]
    width = len(place[0]) if place[0].startswith("#") else int(place[1] or 1)
    found = [
        (int(digits), file)
        for file, digits in _siblings(path.parent, head, tail)
        if digits == str(int(digits)).zfill(width)
    ]
    if not found:
        raise MissingInput(f"{path}: no still of that name is there")
    return _order(found, f"{head}#{tail}", path.parent)


def _find_around(path: Path) -> StillSequence:
    if not path.is_file():
        raise MissingInput(f"{path}: nothing is there")
    if path.suffix.lower() not in STILL_SUFFIXES:
        raise UnreadableInput(f"{path}: is not a still ({', '.join(STILL_SUFFIXES)} expected)")
    head, number, tail = _split_name(path.name)
    if number is None:
        return StillSequence({1: path}, (), path.name)
    found = [(int(digits), file) for file, digits in _siblings(path.parent, head, tail)]
    return _order(found, f"{head}#{tail}", path.parent)


def _split_name(name: str) -> tuple[str, str | None, str]:
    match = _NUMBERED.match(name)
    if not match or _VERSION.search(match["head"]):
        stem, dot, suffix = name.rpartition(".")
        return stem, None, dot + suffix
    head = match["head"]
    return head, match["digits"], match["tail"]


def _stills_in(folder: Path) -> list[Path]:
    files = (file for file in _list_files(folder) if not file.name.startswith("."))
    return [file for file in files if file.suffix.lower() in STILL_SUFFIXES]


def _siblings(folder: Path, head: str, tail: str) -> Iterable[tuple[Path, str]]:
    if not folder.is_dir():
        raise MissingInput(f"{folder}: no such folder")
    for file in _list_files(folder):
        digits = file.name[len(head) : len(file.name) - len(tail)]
        fits = file.name.startswith(head) and file.name.endswith(tail)
        if fits and digits.isascii() and digits.isdigit():
            yield file, digits


def _list_files(folder: Path) -> list[Path]:
    """List the files of a folder by name. Raises UnreadableInput where they are too many."""
    names: list[str] = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_file():
                names.append(entry.name)
                check_limit(folder, "FOLDER_FILES", len(names))
    return [folder / name for name in sorted(names)]


def _order(found: list[tuple[int, Path]], pattern: str, folder: Path) -> StillSequence:
    paths: dict[int, Path] = {}
    for number, file in sorted(found):
        check_limit(file, "FRAME_NUMBER", number)
        if number in paths:
            raise MismatchedInput(
                f"{folder}: frame {number} is there twice, {paths[number].name} and {file.name}"
            )
        paths[number] = file
    numbers = list(paths)
    gaps = tuple((a + 1, b - 1) for a, b in pairwise(numbers) if b > a + 1)
    return StillSequence(paths, gaps, pattern)


def _say_ranges(ranges: tuple[tuple[int, int], ...], *, most: int = 8) -> str:
    parts = [str(a) if a == b else f"{a}-{b}" for a, b in ranges[:most]]
    more = f" and {len(ranges) - most} more gaps" if len(ranges) > most else ""
    single = len(ranges) == 1 and ranges[0][0] == ranges[0][1]
    return f"frame{'' if single else 's'} {', '.join(parts)}{more}"
