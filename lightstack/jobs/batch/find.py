"""The shot files below a folder."""

from __future__ import annotations

import os
import re
from pathlib import Path

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import MARK, SCRATCH
from lightstack.files.shot.shotfile import looks_like_shot

__all__ = ["find_shots"]

_NUMBER = re.compile(r"(\d+)")


def find_shots(folder: Path) -> list[Path]:
    """Return the shot files below a folder, as people count: shot_2 before shot_10; folders of results are passed over.

    Raises MissingInput where the folder is not there, SettingError where it is none, or holds no shot file.
    """
    if folder.is_file():
        raise SettingError(
            f"{folder}: is a file; name the folder that holds the shots, or build one with `lightstack build SHOT.toml`"
        )
    if not folder.is_dir():
        raise MissingInput(f"{folder}: no such folder; name the folder that holds the shots")
    found = []
    for place, below, names in os.walk(folder):
        if SCRATCH in below and (Path(place) / SCRATCH / MARK).is_file():
            below.clear()  # results
            continue
        below[:] = [name for name in below if not name.startswith(".")]
        found += [Path(place) / name for name in names if name.endswith(".toml") and not name.startswith(".")]
    shots = [path for path in found if looks_like_shot(path)]
    if not shots:
        raise SettingError(f"{folder}: holds no shot file; one is a .toml with a [shot], `lightstack new` starts one")
    return sorted(shots, key=lambda path: count_key(path.relative_to(folder).as_posix()))


def count_key(name: str) -> list[tuple[int, int, str]]:
    """Return what names are sorted by: numbers in them by their size."""
    parts = _NUMBER.split(name)
    return [(1, int(part), part) if part.isdigit() else (0, 0, part) for part in parts]
