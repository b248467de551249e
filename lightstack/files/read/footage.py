"""The footage that lies in a folder: movies, numbered stills, folders of stills."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.folder import SCRATCH

__all__ = ["Footage", "list_footage"]

MOVIES = {".mov", ".mp4", ".m4v", ".mxf", ".mkv", ".avi", ".webm", ".mts", ".m2ts"}
STILLS = {".exr", ".dpx", ".tif", ".tiff", ".png", ".jpg", ".jpeg"}
_NUMBERED = re.compile(r"^(?P<head>.*?[._-]?)(?P<number>\d{3,})$")


@dataclass(frozen=True, slots=True)
class Footage:
    """One take as a shot file names it: ``path`` relative to the folder, with ``/`` and ``#``."""

    path: str
    kind: str  # "movie" | "stills"


def list_footage(folder: Path) -> tuple[Footage, ...]:
    """List the takes that lie in a folder and in the folders right below it, in order of their names.

    A folder that holds an earlier result is passed over, and so is a still without companions.

    Raises
    ------
    MissingInput
        If there is no such folder.
    UnreadableInput
        If it is a file or cannot be read.
    """
    if not folder.exists():
        raise MissingInput(f"{folder}: no such folder; name the folder that holds the footage")
    if not folder.is_dir():
        raise UnreadableInput(f"{folder}: is a file; name the folder that holds the footage")
    try:
        found = _list_one(folder, "")
        for below in sorted(folder.iterdir()):
            if below.is_dir() and not below.name.startswith(".") and not (below / SCRATCH).exists():
                found += _list_one(below, f"{below.name}/")
    except OSError as error:
        raise UnreadableInput(
            f"{folder}: cannot be read ({error.strerror}); check its permissions"
        ) from error
    return tuple(found)


def _list_one(folder: Path, head: str) -> list[Footage]:
    """List the takes of one folder, not of those below it."""
    files = sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    takes = [Footage(head + path.name, "movie") for path in files if path.suffix.lower() in MOVIES]
    sequences: dict[str, int] = {}
    for path in files:
        numbered = _NUMBERED.match(path.stem)
        if path.suffix.lower() in STILLS and numbered:
            pattern = f"{numbered['head']}{'#' * len(numbered['number'])}{path.suffix}"
            sequences[pattern] = sequences.get(pattern, 0) + 1
    takes += [Footage(head + pattern, "stills") for pattern, count in sequences.items() if count > 1]
    return sorted(takes, key=lambda take: take.path)
