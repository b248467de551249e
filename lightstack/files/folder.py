"""An output folder that is ours: claimed once, written whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

from lightstack.errors import LightstackError, OutputError
from lightstack.files.folder_lock import held_folder

MARK = "stages.json"  # its presence in the scratch folder says that the folder is ours
SCRATCH = ".lightstack"


class OutFolder:
    """An output folder with its scratch folder; every write goes through a temporary name."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.scratch = path / SCRATCH

    def file(self, name: str) -> Path:
        """Return the path of an output file."""
        return self.path / name

    def scratch_folder(self, name: str) -> Path:
        """Make and return a folder for intermediate files."""
        folder = self.scratch / name
        with explain_os_error(folder):
            folder.mkdir(parents=True, exist_ok=True)
        return folder


def claim_folder(path: Path) -> OutFolder:
    """Make ``path`` an output folder of ours, or accept it as one.

    Raises
    ------
    OutputError
        If the path is a file, cannot be written, or holds things that we did not put there.
    """
    if path.exists() and not path.is_dir():
        raise OutputError(f"{path}: is a file, an output folder was expected; name another folder")
    if path.is_dir() and any(path.iterdir()) and not (path / SCRATCH / MARK).is_file():
        raise OutputError(f"{path}: holds files that lightstack did not write; name an empty or a new folder")
    folder = OutFolder(path)
    with explain_os_error(path):
        folder.scratch.mkdir(parents=True, exist_ok=True)
        mark = folder.scratch / MARK
        if not mark.is_file():
            write_whole(mark, b"{}")
        elif not os.access(path, os.W_OK):
            raise OutputError(f"{path}: cannot be written; change its permissions or name another folder")
    return folder


@contextmanager
def claimed_folder(path: Path) -> Iterator[OutFolder]:
    """Claim an output folder for some work; if that fails before any stage is recorded, leave it as it was found.

    Raises
    ------
    OutputError
        As `claim_folder` does, and where somebody else is at work in it.
    """
    made = [folder for folder in (path, *path.parents) if not folder.exists()]
    fresh = not (path / SCRATCH / MARK).is_file()  # then whatever lies in it afterwards is this work's
    with ExitStack() as held:
        try:
            folder = claim_folder(path)
            held.enter_context(held_folder(folder.scratch, "work"))
        except BaseException:
            remove_folders(made)
            raise
        with cleared_if_broken_off(folder, made, fresh):
            yield folder


@contextmanager
def cleared_if_broken_off(folder: OutFolder, made: list[Path], fresh: bool) -> Iterator[None]:
    """Leave a fresh folder as it was found where work in it fails before any stage is recorded."""
    try:
        yield
    except BaseException:
        if fresh and not read_json(folder.scratch / MARK).get("stages"):
            empty_folder(folder.path)
            remove_folders(made)
        raise


def empty_folder(path: Path) -> None:
    """Remove everything in a folder that can be removed."""
    for entry in path.iterdir():
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            entry.unlink(missing_ok=True)


def remove_folders(folders: list[Path]) -> None:
    """Remove folders, innermost first, as far as they are empty."""
    for folder in folders:
        with suppress(OSError):
            folder.rmdir()


def write_whole(path: Path, data: bytes) -> None:
    """Write a file under a temporary name, flush it to the disk, then rename it.

    Raises
    ------
    OutputError
        If the disk is full or the folder cannot be written; nothing half-written stays behind.
    """
    with replaced_whole(path) as part:
        part.write_bytes(data)


def write_changed(path: Path, data: bytes) -> None:
    """Write a file as `write_whole` does, but leave one alone that holds the same bytes, time stamp included."""
    try:
        same = path.read_bytes() == data
    except OSError:
        same = False
    if not same:
        write_whole(path, data)


@contextmanager
def replaced_whole(path: Path) -> Iterator[Path]:
    """Give a temporary path beside ``path``; on success flush and rename it, on failure remove it."""
    part = path.with_name(f".{path.name}.part{path.suffix}")
    try:
        with explain_os_error(path):
            yield part
            with part.open("rb+") as stream:
                os.fsync(stream.fileno())
            part.replace(path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def explain_os_error(path: Path) -> Iterator[None]:
    """Turn the operating system's refusal into one line that names the file."""
    try:
        yield
    except LightstackError:
        raise  # an input that fails while an output is open is not the output's fault
    except OSError as error:
        reason = error.strerror or str(error)
        line = f"{path}: cannot be written ({reason}); free space or name another folder"
        raise OutputError(line) from error


def write_json(path: Path, value: Any) -> None:
    """Write a value as sorted, indented JSON, whole or not at all."""
    write_whole(path, (json.dumps(value, indent=2, sort_keys=True, ensure_ascii=False) + "\n").encode())


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON file that holds a table; an absent or broken one reads as an empty dict."""
    try:
        value = json.loads(path.read_text())
    except (OSError, ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
