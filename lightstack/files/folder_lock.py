"""Who is at work in an output folder: one at a time, held by the operating system, so that a crash lets go of it."""

from __future__ import annotations

import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from lightstack.errors import OutputError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

__all__ = ["NAME", "PAGE", "FolderBusy", "Holder", "folder_is_busy", "held_folder"]

NAME = "at_work"  # in the scratch folder
PAGE = "review"  # who holds it for a moment only
PLACE = 1 << 20  # of the locked byte where locked bytes cannot be read: behind the note, which others must read
PATIENCE_S = 60.0  # that a build waits for a page
BLINK_S = 0.3  # that anybody waits: somebody may have looked whether it is free
STEP_S = 0.02
LONGEST_COMMAND = 200  # characters
NOTE_BYTES = 4000
BOOT = Path("/proc/sys/kernel/random/boot_id")  # Linux: another one after every start of the machine


class FolderBusy(OutputError):
    """Somebody else is at work in the folder."""


@dataclass(frozen=True, slots=True)
class Holder:
    """Who has written that they are at work. ``boot``: which start of the machine that was, "" where nothing tells it.

    ``since``: date and time to read, never to reckon with.
    """

    who: str
    pid: int
    host: str
    boot: str
    since: str
    command: str

    @property
    def is_here(self) -> bool:
        """Whether it is, or was, on this machine."""
        return self.host == socket.gethostname()

    @property
    def is_gone(self) -> bool:
        """Whether it was on this machine and has ended."""
        return self.is_here and (self.boot != read_boot() or not is_running(self.pid))

    def __str__(self) -> str:
        where = "" if self.is_here else f" on {self.host}"
        return f"process {self.pid}{where} since {self.since}, {self.command}"


@contextmanager
def held_folder(scratch: Path, who: str, *, patience_s: float = PATIENCE_S) -> Iterator[Holder | None]:
    """Hold an output folder, whose scratch folder this is, for some work of ``who``; give whoever was killed at work.

    ``patience_s``: to wait while a review page is at work in it; for anybody else nobody waits.

    Raises FolderBusy, with one line that names who has it. On a file system that knows no locks the note in the file
    tells, and counts until whoever wrote it has ended on this machine.
    """
    number = wait_for(scratch, patience_s)
    try:
        left = read_note(number)
        try:
            note(number, describe_self(who))
            yield left
        finally:
            note(number, None)
    finally:
        os.close(number)  # which lets go of it


def folder_is_busy(scratch: Path) -> bool:
    """Tell whether somebody is at work in an output folder."""
    try:
        number = os.open(scratch / NAME, os.O_RDWR | getattr(os, "O_BINARY", 0))
    except OSError:
        return False
    try:
        return not can_have(number)
    finally:
        os.close(number)


def wait_for(scratch: Path, patience_s: float) -> int:
    """Return the number of the open and locked file. Raises FolderBusy where somebody keeps it too long."""
    begun = other = time.monotonic()  # since when somebody other than a page has it
    number = open_lock(scratch)
    try:
        while True:
            if can_have(number):
                if is_in_place(number, scratch):
                    return number
                number = reopen(number, scratch)  # whoever had it has cleared the folder away
                continue
            holder, now = read_note(number), time.monotonic()
            if holder is not None and holder.who == PAGE:
                other = now
            if now - begun > patience_s or now - other > BLINK_S:
                raise FolderBusy(say_busy(scratch, holder))
            time.sleep(STEP_S)
    except BaseException:
        os.close(number)
        raise


def reopen(number: int, scratch: Path) -> int:
    """Open the file that others would open now in place of an older one. Raises OutputError; then that stays open."""
    newer = open_lock(scratch)
    os.close(number)
    return newer


def open_lock(scratch: Path) -> int:
    """Open the file that is locked. Raises OutputError."""
    try:
        return os.open(scratch / NAME, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
    except OSError as error:
        line = f"{scratch / NAME}: cannot be written ({error.strerror}); free space or name another folder"
        raise OutputError(line) from error


def is_in_place(number: int, scratch: Path) -> bool:
    """Tell whether an open file is still the one that others would open."""
    try:
        return os.path.samestat(os.fstat(number), (scratch / NAME).stat())
    except OSError:
        return False


def can_have(number: int) -> bool:
    """Lock an open file for oneself and tell whether that could be done; where files know no locks, by its note."""
    locked = lock(number)
    if locked is not None:
        return locked
    holder = read_note(number)
    return holder is None or holder.is_gone


def say_busy(scratch: Path, holder: Holder | None) -> str:
    """Return the line that says who is at work."""
    said = "a review page" if holder is not None and holder.who == PAGE else "another lightstack"
    which = "" if holder is None else f" ({holder})"
    line = f"{scratch.parent}: {said}{which} is at work in it; wait until it has ended, or stop it"
    if holder is None or holder.is_here:
        return line
    return f"{line}; where {holder.host} has stopped for good, remove {scratch / NAME}"


def lock(number: int) -> bool | None:
    """Lock an open file for oneself; tell whether that could be done, None where the file system knows no locks."""
    try:
        if sys.platform == "win32":
            os.lseek(number, PLACE, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return None
    return True


def describe_self(who: str) -> Holder:
    """Return who this process is."""
    command = " ".join([Path(sys.argv[0]).name, *sys.argv[1:]])[:LONGEST_COMMAND]
    since = datetime.now().astimezone().isoformat(" ", "seconds")
    return Holder(who, os.getpid(), socket.gethostname(), read_boot(), since, command)


def read_boot() -> str:
    """Return which start of the machine this is, "" where nothing tells it."""
    try:
        return BOOT.read_text().strip()
    except OSError:
        return ""


def is_running(pid: int) -> bool:
    """Tell whether there is a process of that number on this machine."""
    if sys.platform == "win32":
        return True  # files know locks there; asking by a signal would end it
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        pass  # somebody else's
    return True


def read_note(number: int) -> Holder | None:
    """Return who has written that they are at work; None where nobody has, or it cannot be read."""
    with suppress(ValueError, TypeError, OSError):
        os.lseek(number, 0, os.SEEK_SET)
        holder = Holder(**json.loads(os.read(number, NOTE_BYTES).decode()))
        if isinstance(holder.pid, int) and holder.pid > 0:
            return holder
    return None


def note(number: int, holder: Holder | None) -> None:
    """Write who is at work, or nobody, over what stood there; a full disk keeps nobody from working."""
    with suppress(OSError):
        os.ftruncate(number, 0)
        os.lseek(number, 0, os.SEEK_SET)
        os.write(number, b"" if holder is None else json.dumps(asdict(holder)).encode())
