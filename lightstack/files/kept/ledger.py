"""Which frames of a sequence are written: so that a run that broke off goes on where it was."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from lightstack.files.folder import OutFolder, read_json, write_json
from lightstack.files.kept.identity import hash_value

__all__ = ["FrameLedger"]

SAVE_SECONDS = 2.0


class FrameLedger:
    """The frames that were written whole, with what they were made from.

    A frame counts as written while all of its files have the size and time stamp that they were written with, and
    what it was made from (``inputs``) is the same. Files made from anything else are remembered as *earlier* ones
    until they are written again or removed, however often a run breaks off between.
    """

    def __init__(self, path: Path, folder: OutFolder, inputs: Mapping[str, Any]) -> None:
        self._path, self._folder = path, folder
        self._inputs = hash_value(inputs)
        kept = read_json(path)
        same = kept.get("inputs") == self._inputs
        self._frames = _sound_frames(kept.get("frames")) if same else {}
        earlier = kept.get("earlier")
        listed = earlier if isinstance(earlier, list) else []
        self._earlier = {name for name in listed if isinstance(name, str) and Path(name).name == name}
        if not same:
            self._earlier.update(_list_names(_sound_frames(kept.get("frames"))))
        self._saved = time.monotonic()

    def is_written(self, frame: int, names: Sequence[str]) -> bool:
        """Tell whether the named files of a frame are there as they were written."""
        known = self._frames.get(str(frame), {})
        return all(bool(known.get(name)) and self._see(name) == known[name] for name in names)

    def forget(self, frames: Iterable[int]) -> None:
        """Count frames as not written any more."""
        for frame in frames:
            names = self._frames.pop(str(frame), {})
            self._earlier.update(names)

    def note(self, frame: int, names: Sequence[str]) -> None:
        """Note that the files of a frame are written."""
        kept = self._frames.setdefault(str(frame), {})
        kept.update({name: self._see(name) for name in names})
        self._earlier.difference_update(names)
        if time.monotonic() - self._saved > SAVE_SECONDS:
            self.save()

    def save(self) -> None:
        """Write the ledger to the disk. Raises OutputError."""
        kept = {"inputs": self._inputs, "frames": self._frames, "earlier": sorted(self._earlier)}
        write_json(self._path, kept)
        self._saved = time.monotonic()

    def list_earlier(self) -> list[str]:
        """Return the files, still there, that an earlier run made from something else."""
        return sorted(name for name in self._earlier if self._see(name))

    def drop_stale(self, keep: Collection[str]) -> None:
        """Remove files that an earlier run made from something else and that are not to be written again.

        Notes: left there they would be read as part of the sequence.
        """
        stale = self._earlier - set(keep)
        for name in stale:
            self._folder.file(name).unlink(missing_ok=True)
        self._earlier -= stale

    def _see(self, name: str) -> list[int]:
        try:
            stat = self._folder.file(name).stat()
        except OSError:
            return []
        return [stat.st_size, stat.st_mtime_ns]


def _sound_frames(frames: Any) -> dict[str, dict[str, list[int]]]:
    """Return what of a table read from a file can be frames with their files; names never lead out of the folder."""
    if not isinstance(frames, dict):
        return {}
    sound = {frame: files for frame, files in frames.items() if isinstance(files, dict)}
    return {frame: {n: seen for n, seen in files.items() if Path(n).name == n} for frame, files in sound.items()}


def _list_names(frames: Mapping[str, Mapping[str, Any]]) -> Iterator[str]:
    for files in frames.values():
        yield from files
