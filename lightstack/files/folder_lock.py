"""Who is at work in an output folder: one at a time, held by the operating system, so that a crash lets go of it."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lightstack.errors import OutputError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["PAGE", "FolderBusy", "folder_is_busy", "held_folder"]

NAME = "at_work"  # in the scratch folder
PAGE = "review"  # who holds it for a moment only
PLACE = 1 << 20  # of the locked byte where locked bytes cannot be read: behind the note, which others must read
PATIENCE_S = 60.0  # that a build waits for a page
BLINK_S = 0.3  # that anybody waits: somebody may have looked whether it is free
STEP_S = 0.02


class FolderBusy(OutputError):
    """Somebody else is at work in the folder."""


@contextmanager
def held_folder(scratch: Path, who: str, *, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Hold an output folder, whose scratch folder this is, for some work of ``who``.

    ``patience_s``: to wait while a review page is at work in it; for anybody else nobody waits.

    Raises FolderBusy, with one line that names who has it. A file system that knows no locks is taken as free.
    """
    try:
        number = os.open(scratch / NAME, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o644)
    except OSError as error:
        line = f"{scratch / NAME}: cannot be written ({error.strerror}); free space or name another folder"
        raise OutputError(line) from error
    try:
        wait_for(number, scratch, patience_s)
        try:
            note(number, f"{who} {os.getpid()}")
            yield
        finally:
            note(number, "")
    finally:
        os.close(number)  # which lets go of it


def folder_is_busy(scratch: Path) -> bool:
    """Tell whether somebody is at work in an output folder."""
    try:
        number = os.open(scratch / NAME, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return False
    try:
        return not lock(number)
    finally:
        os.close(number)


def wait_for(number: int, scratch: Path, patience_s: float) -> None:
    """Lock an open file. Raises FolderBusy where somebody keeps it too long."""
    begun = time.monotonic()
    while not lock(number):
        who, _, process = read_note(number).partition(" ")
        waited = time.monotonic() - begun
        if waited > (patience_s if who == PAGE else BLINK_S):
            said = "a review page" if who == PAGE else "another lightstack"
            which = f" (process {process})" if process else ""
            raise FolderBusy(f"{scratch.parent}: {said}{which} is at work in it; wait until it has ended, or stop it")
        time.sleep(STEP_S)


def lock(number: int) -> bool:
    """Lock an open file for oneself; tell whether that could be done, or cannot be done on this file system."""
    try:
        if sys.platform == "win32":
            os.lseek(number, PLACE, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True
    return True


def read_note(number: int) -> str:
    """Return who has written that they are at work."""
    os.lseek(number, 0, os.SEEK_SET)
    return os.read(number, 200).decode(errors="replace").strip()


def note(number: int, text: str) -> None:
    """Write who is at work, over what stood there."""
    os.ftruncate(number, 0)
    os.lseek(number, 0, os.SEEK_SET)
    os.write(number, text.encode())
