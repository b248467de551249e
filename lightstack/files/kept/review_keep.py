"""Pictures at screen size that the review page was sent, kept as plain files: made once, read in pieces."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import BoundedSemaphore
from typing import Any

from lightstack.errors import OutputError
from lightstack.files.folder import OutFolder, write_whole
from lightstack.files.kept.identity import hash_value

__all__ = ["PictureShelf", "keep_only", "open_shelf"]

ROOM = "review"  # in the scratch folder
NOTE = "made_from.json"
MOST_WAITING = 8  # pictures that wait to be written


class PictureShelf:
    """A folder of pictures that were made from the same things; closed or on a full disk it keeps nothing, and nothing
    fails.

    ``is_full``: it had no room for a picture. Pictures are written by a thread of its own; whoever asks for one
    meanwhile gets it from memory. Safe to use from several threads.
    """

    def __init__(self, folder: Path, most_bytes: int) -> None:
        self.folder, self._left, self.is_full = folder, most_bytes, False
        self._waiting: dict[str, bytes] = {}
        self._room = BoundedSemaphore(MOST_WAITING)
        self._writer = ThreadPoolExecutor(1)

    def keep(self, name: str, data: bytes) -> None:
        """Keep a picture, whole or not at all; not where the shelf is full."""
        if self.is_full or len(data) > self._left:
            self.is_full = True
            return
        self._left -= len(data)
        self._room.acquire()
        self._waiting[name] = data
        try:
            self._writer.submit(self._write, name, data)
        except RuntimeError:  # closed meanwhile, for the shot was built again
            self._waiting.pop(name, None)
            self._room.release()

    def has(self, name: str) -> bool:
        """Tell whether a picture is there."""
        return name in self._waiting or (self.folder / name).is_file()

    def read(self, name: str, start: int = 0, count: int = -1) -> bytes | None:
        """Return ``count`` bytes of a picture from ``start`` on, all by default; None where it is not there."""
        waiting = self._waiting.get(name)
        if waiting is not None:
            return waiting[start:] if count < 0 else waiting[start : start + count]
        try:
            with (self.folder / name).open("rb") as stream:
                stream.seek(start)
                return stream.read(count)
        except OSError:
            return None

    def close(self) -> None:
        """Write what still waits."""
        self._writer.shutdown()

    def _write(self, name: str, data: bytes) -> None:
        try:
            write_whole(self.folder / name, data)
        except OutputError:
            self.is_full = True  # the page works without; the next run tries again
        finally:
            self._waiting.pop(name, None)
            self._room.release()


def open_shelf(folder: OutFolder, name: str, inputs: Mapping[str, Any], *, most_bytes: int) -> PictureShelf:
    """Return the shelf of what is made from ``inputs``; ``most_bytes``: that it may grow to.

    What was made from others before under that name is removed. Raises OutputError.
    """
    shelf = folder.scratch_folder(f"{ROOM}/{name}/{hash_value(inputs)[:16]}")
    for old in shelf.parent.iterdir():
        if old != shelf:
            shutil.rmtree(old, ignore_errors=True)
    note = shelf / NOTE
    if not note.is_file():
        write_whole(note, json.dumps(inputs, sort_keys=True, default=str).encode())
    used = sum(file.stat().st_size for file in shelf.iterdir() if file.is_file())
    return PictureShelf(shelf, most_bytes - used)


def keep_only(folder: OutFolder, names: set[str]) -> None:
    """Remove the shelves of other names than these."""
    room = folder.scratch / ROOM
    for old in room.iterdir() if room.is_dir() else ():
        if old.is_dir() and old.name not in names:
            shutil.rmtree(old, ignore_errors=True)
