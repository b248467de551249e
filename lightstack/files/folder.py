"""An output folder that is ours: claimed once, written whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import Any
from uuid import uuid4

from lightstack.errors import LightstackError, OutputError
from lightstack.files.called_off import go_on
from lightstack.files.folder_lock import NAME, held_folder
from lightstack.files.limits import check_file_size
from lightstack.records import Progress

MARK = "stages.json"  # its presence in the scratch folder says that the folder is ours
SCRATCH = ".lightstack"
FOR_ONE_RUN = ".run_"  # how scratch folders begin that are removed when a run ends
LONGEST_NAME = 255  # bytes of one name on the usual file systems (NAME_MAX of POSIX there)
_LEFT = re.compile(r"^\..*\.part(\.[^.]*)?$", re.DOTALL)  # what `replaced_whole` writes before it is whole
_OPENING = {NAME, f".{MARK}.part.json"}  # may stand in a scratch folder that was never finished
_WRITER = ContextVar("writer", default="")  # what temporary names carry of who writes; see `own_parts`


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
    folder = OutFolder(path)
    with explain_os_error(path):
        if path.is_dir() and not is_ours(path):
            raise OutputError(f"{path}: holds files that lightstack did not write; name an empty or a new folder")
        folder.scratch.mkdir(parents=True, exist_ok=True)
        mark = folder.scratch / MARK
        if not mark.is_file():
            write_whole(mark, b"{}")
        elif not os.access(path, os.W_OK):
            raise OutputError(f"{path}: cannot be written; change its permissions or name another folder")
    return folder


def is_ours(path: Path) -> bool:
    """Tell whether a folder is empty, was claimed, or was being claimed when whoever did it was killed."""
    if (path / SCRATCH / MARK).is_file():
        return True
    if any(entry.name != SCRATCH for entry in path.iterdir()):
        return False
    scratch = path / SCRATCH
    return not scratch.exists() or all(entry.name in _OPENING for entry in scratch.iterdir())


@contextmanager
def claimed_folder(path: Path, progress: Progress | None = None) -> Iterator[OutFolder]:
    """Claim an output folder for some work; if that fails before any stage is recorded, leave it as it was found.

    ``progress``: is told where the last work in it was killed.

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
            killed = held.enter_context(held_folder(folder.scratch, "work"))
        except BaseException:
            remove_folders(made)
            raise
        remove_left(folder)
        if killed is not None and progress is not None:
            progress.say(f"{path}: {killed}, was killed at work in it; what it had finished is kept")
        with cleared_if_broken_off(folder, made, fresh):
            yield folder


@contextmanager
def steady_folder(path: Path) -> Iterator[None]:
    """Keep builds out of an output folder while it is read; where it cannot be written none can change it.

    Raises FolderBusy where somebody is at work in it.
    """
    scratch = path / SCRATCH
    if not (scratch / MARK).is_file() or not os.access(scratch, os.W_OK):
        yield
        return
    with held_folder(scratch, "work"):
        yield


def remove_left(folder: OutFolder) -> None:
    """Remove what a killed run left half-written in an output folder; whoever calls must hold it."""
    remove_parts(folder)
    for entry in folder.scratch.glob(f"{FOR_ONE_RUN}*"):
        shutil.rmtree(entry, ignore_errors=True)


def remove_parts(folder: OutFolder) -> None:
    """Remove half-written files of an output folder; whoever calls must hold it and write nothing meanwhile."""
    for place in (folder.path, *(below for below in folder.scratch.rglob("*") if below.is_dir()), folder.scratch):
        for entry in place.iterdir():
            if _LEFT.match(entry.name) and not entry.is_dir():
                entry.unlink(missing_ok=True)


@contextmanager
def cleared_if_broken_off(folder: OutFolder, made: list[Path], fresh: bool) -> Iterator[None]:
    """Leave a fresh folder as it was found where work in it fails before any stage is recorded."""
    try:
        yield
    except BaseException:
        if fresh and holds_no_stage(folder.scratch / MARK):
            empty_folder(folder.path)
            remove_folders(made)
        raise


def holds_no_stage(mark: Path) -> bool:
    """Tell whether a book of stages says that none was recorded; one that cannot be read may hold some."""
    kept = read_json(mark, limit="BOOK_BYTES")
    unread = not kept and mark.is_file() and mark.read_bytes().strip() != b"{}"
    return not unread and not kept.get("stages")


def empty_folder(path: Path) -> None:
    """Remove everything in a folder that can be removed; what says that it is ours goes last, should this break off."""
    for entry in sorted(path.iterdir(), key=lambda one: one.name in (SCRATCH, MARK)):
        if entry.name == SCRATCH and entry.is_dir() and not entry.is_symlink():
            empty_folder(entry)
            remove_folders([entry])
        elif entry.is_dir() and not entry.is_symlink():
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
    """Give a temporary path beside ``path``; on success flush and rename it, on failure remove it.

    Raises OutputError; CalledOff where a thread writes what was called off meanwhile.
    """
    go_on()
    part = part_of(path)
    try:
        with explain_os_error(path):
            yield part
            go_on()
            with part.open("rb+") as stream:
                os.fsync(stream.fileno())
            part.replace(path)
            flush_folder(path.parent)
    finally:
        with suppress(OSError):  # the reason why it could not be written is the one to tell
            part.unlink(missing_ok=True)


def real_path(path: Path) -> Path:
    """Return where a path leads, links followed as far as they lead anywhere: a loop of links is no reason to fail."""
    return Path(os.path.realpath(path))


def is_utf8(path: str | Path) -> bool:
    """Tell whether a name is text: what is not UTF-8 on the disk has no form that libraries take."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        return False
    return True


def scratch_name(name: str) -> str:
    """Return what scratch files of a take of that name are called: the name, or what stands for a very long one."""
    digest = hashlib.sha256(os.fsencode(name)).hexdigest()
    return name if len(os.fsencode(name)) <= LONGEST_NAME // 2 else f"{name[:30]}_{digest[:16]}"


def part_of(path: Path) -> Path:
    """Return the temporary path beside a file; a name that leaves no room for the addition is cut."""
    ending = f"{_WRITER.get()}.part{path.suffix}"
    name = f".{path.name}{ending}"
    if len(os.fsencode(name)) > LONGEST_NAME >= len(os.fsencode(path.name)):
        name = f".{hashlib.sha256(os.fsencode(path.name)).hexdigest()}{ending}"
    return path.with_name(name)


@contextmanager
def own_parts() -> Iterator[None]:
    """Give whatever this thread writes meanwhile temporary names of its own: others may be writing the same files.

    Notes: without it a name is always the same, so that the next run writes over what a killed one left.
    """
    before = _WRITER.set(f".{uuid4().hex[:12]}")
    try:
        yield
    finally:
        _WRITER.reset(before)


def flush_folder(path: Path) -> None:
    """Flush a folder's own entries to the disk: until then a loss of power may undo a rename in it.

    Notes: POSIX, fsync and rename. Where folders cannot be opened, or not flushed, there is nothing to do.
    """
    with suppress(OSError):
        number = os.open(path, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


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


def read_json(path: Path, *, limit: str = "SIDE_BYTES") -> dict[str, Any]:
    """Read a JSON file that holds a table; an absent or broken one, or one beyond a limit, reads as an empty dict."""
    try:
        check_file_size(path, limit)
        value = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return value if isinstance(value, dict) else {}
