"""Which frames of a sequence are written: so that a run that broke off goes on where it was."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from lightstack.files.folder import OutFolder, read_json, write_json
from lightstack.files.identity import hash_value

__all__ = ["FrameLedger"]

SAVE_SECONDS = 2.0


class FrameLedger:
    """The frames that were written whole, with what they were made from.

    A frame counts as written while all of its files have the size and time stamp that they were written with, and
    what it was made from (``inputs``) is the same.
    """

    def __init__(self, path: Path, folder: OutFolder, inputs: Mapping[str, Any]) -> None:
        self._path, self._folder = path, folder
        self._inputs = hash_value(inputs)
        kept = read_json(path)
        frames = kept.get("frames") if kept.get("inputs") == self._inputs else None
        self._frames: dict[str, dict[str, list[int]]] = frames if isinstance(frames, dict) else {}
        self._old = _list_names(kept.get("frames"))
        self._saved = time.monotonic()

    def is_written(self, frame: int, names: Sequence[str]) -> bool:
        """Tell whether the named files of a frame are there as they were written."""
        known = self._frames.get(str(frame))
        if not isinstance(known, dict):
            return False
        return all(name in known and self._see(name) == known[name] for name in names)

    def forget(self) -> None:
        """Count no frame as written any more."""
        self._frames = {}

    def note(self, frame: int, names: Sequence[str]) -> None:
        """Note that the files of a frame are written."""
        kept = self._frames.setdefault(str(frame), {})
        kept.update({name: self._see(name) for name in names})
        if time.monotonic() - self._saved > SAVE_SECONDS:
            self.save()

    def save(self) -> None:
        """Write the ledger to the disk."""
        write_json(self._path, {"inputs": self._inputs, "frames": self._frames})
        self._saved = time.monotonic()

    def list_files(self) -> list[str]:
        """Return the names of every file that is written, in the order of frames."""
        ordered = sorted(self._frames.items(), key=lambda item: int(item[0]))
        return [name for _, files in ordered for name in files]

    def drop_stale(self, keep: Sequence[str]) -> None:
        """Remove files that an earlier run wrote and that no frame of this one has.

        Notes: left there they would be read as part of the sequence.
        """
        for name in self._old - set(keep):
            self._folder.file(name).unlink(missing_ok=True)

    def _see(self, name: str) -> list[int]:
        try:
            stat = self._folder.file(name).stat()
        except OSError:
            return []
        return [stat.st_size, stat.st_mtime_ns]


def _list_names(frames: Any) -> set[str]:
    def walk() -> Iterator[str]:
        for files in frames.values() if isinstance(frames, dict) else ():
            yield from files if isinstance(files, dict) else ()

    return set(walk())
