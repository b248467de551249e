"""Who a file is: its SHA-256, remembered with size, time stamp and inode so that it is read once."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from lightstack.errors import ChangedInput, LightstackError, MissingInput, UnreadableInput
from lightstack.files.folder import MARK, OutFolder, read_json, real_path, write_whole
from lightstack.files.limits import find_limit
from lightstack.files.read.sequences import find_stills, looks_like_stills


def hash_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def hash_value(value: Any) -> str:
    """Return the SHA-256 of a JSON-like value, independent of key order."""
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()


def list_files(path: Path) -> list[Path]:
    """Return the files that a path of a shot file stands for: itself, a folder's, or a numbered sequence's."""
    if path.is_dir():
        return sorted(file for file in path.iterdir() if file.is_file() and not file.name.startswith("."))
    if looks_like_stills(path):  # one file of a numbered sequence stands for all of it
        return list(find_stills(path, allow_gaps=True).paths.values())
    return [path]


def see_file(stat: os.stat_result) -> list[int]:
    """Return what tells at a glance that a file is another: size, time stamp, inode."""
    return [stat.st_size, stat.st_mtime_ns, stat.st_ino]


def say_changed(path: Path, what: str) -> str:
    """Return the line on a file that changed during a build."""
    return f"{path}: {what} since this build began; nothing made of it counts as built: build again when it is whole"


def sound_entries(table: Any, **kinds: type) -> dict[str, Any]:
    """Return those entries of a table read from a file that hold values of the expected kinds."""
    entries = table.items() if isinstance(table, dict) else ()
    return {
        name: entry
        for name, entry in entries
        if isinstance(entry, dict) and all(isinstance(entry.get(key), kind) for key, kind in kinds.items())
    }


class StageBook:
    """What was built from what: kept in the scratch folder's mark file."""

    def __init__(self, folder: OutFolder, *, verify: bool = False, reads: bool = True) -> None:
        self.folder = folder
        self.verify, self.reads = verify, reads
        self.learned = False  # whether a file was read that the book on disk does not know as it is
        self._made: set[str] = set()
        self._place = real_path(folder.path)
        self._told: dict[Path, tuple[list[int], str]] = {}  # what this run goes by: file -> what was seen, its SHA-256
        self._listed: dict[Path, list[Path]] = {}
        mark = folder.scratch / MARK
        kept = read_json(mark, limit="BOOK_BYTES")
        self._files = sound_entries(kept.get("files"), seen=list, sha256=str)
        self._stages = sound_entries(kept.get("stages"), inputs=str, outputs=dict)
        sound = {"files": self._files, "stages": self._stages}
        fresh = not mark.is_file() or mark.read_bytes().strip() == b"{}"
        self.broken = not fresh and kept != sound  # what can be used of it is used, the rest is built again

    def identity(self, path: Path) -> str:
        """Return a file's SHA-256, reading it only where size, time stamp or inode differ."""
        try:
            stat = path.stat()
        except OSError as error:
            raise MissingInput(f"{path}: nothing is there; check the path") from error
        seen = see_file(stat)
        key = str(real_path(path))
        known = self._files.get(key)
        if self.verify or not known or known["seen"] != seen:
            known = {"seen": seen, "sha256": self._read(path)}
            self._files[key], self.learned = known, True
        if not Path(key).is_relative_to(self._place):  # what is built is made anew meanwhile
            self._told.setdefault(path, (seen, str(known["sha256"])))
        return str(known["sha256"])

    def _read(self, path: Path) -> str:
        if not self.reads:
            raise UnreadableInput(f"{path}: was not read yet as it is now")
        try:
            return hash_file(path)
        except OSError as error:
            line = f"{path}: cannot be read ({error.strerror or error}); copy it again from the card"
            raise UnreadableInput(line) from error

    def identify(self, paths: Sequence[Path]) -> list[str]:
        """Return the identities of several files, in order; folders stand for the files in them."""
        listed = {path: list_files(path) for path in paths}
        for path, files in listed.items():
            if not real_path(path).is_relative_to(self._place):
                self._listed.setdefault(path, files)
        return [self.identity(file) for path in paths for file in listed[path]]

    def watch(self, paths: Sequence[Path]) -> None:
        """Go by what the files of takes are now, as far as it shows without reading them."""
        for path in paths:
            self._listed[path] = list_files(path)
            for file in self._listed[path]:
                try:
                    self._told[file] = see_file(file.stat()), ""
                except OSError as error:
                    raise MissingInput(f"{file}: nothing is there; check the path") from error

    def check_steady(self) -> None:
        """Refuse to go on where a file, or what a folder holds, is not what this run was told of it at first.

        Raises ChangedInput. Notes: a file that was only touched is read once more, and is the same.
        """
        for path, files in self._listed.items():
            try:
                now = list_files(path)
            except (OSError, LightstackError):
                now = []
            other = sorted({*files} ^ {*now})
            if other:
                raise ChangedInput(say_changed(other[0], "was added" if other[0] in now else "is gone"))
        for path, (seen, digest) in list(self._told.items()):
            try:
                now_seen = see_file(path.stat())
                same = now_seen == seen or hash_file(path) == digest
            except OSError as error:
                raise ChangedInput(say_changed(path, "is gone")) from error
            if not same:
                raise ChangedInput(say_changed(path, "has changed"))
            self._told[path] = (now_seen, digest)

    def is_current(self, stage: str, inputs: Mapping[str, Any]) -> bool:
        """Tell whether a stage was built from exactly these inputs and its files are all still there."""
        known = self._stages.get(stage)
        if not known or known["inputs"] != hash_value(inputs):
            return False
        return all(self._same_output(name, seen) for name, seen in known["outputs"].items())

    def is_due(self, stage: str, inputs: Mapping[str, Any], *, force: bool) -> bool:
        """Tell whether a stage that several things share must be made; ``force`` makes it once, not once for each."""
        return (force and stage not in self._made) or not self.is_current(stage, inputs)

    def was_built_from(self, stage: str, inputs: Mapping[str, Any]) -> bool:
        """Tell whether a stage was last built from exactly these inputs, whatever became of its files."""
        known = self._stages.get(stage)
        return known is not None and known["inputs"] == hash_value(inputs)

    def list_outputs(self, stage: str) -> tuple[str, ...]:
        """Return the files that a stage wrote when it was last recorded."""
        return tuple(self._stages.get(stage, {}).get("outputs", {}))

    def reread(self) -> None:
        """Take over what somebody else has recorded since; whoever records next to others must hold the folder."""
        self._told, self._listed = {}, {}
        kept = read_json(self.folder.scratch / MARK, limit="BOOK_BYTES")
        self._files.update(sound_entries(kept.get("files"), seen=list, sha256=str))
        self._stages = sound_entries(kept.get("stages"), inputs=str, outputs=dict)

    def fingerprint(self, *, apart: tuple[str, ...] = ()) -> str:
        """Return what tells one state of the recorded stages on disk from another.

        ``apart``: how names of stages begin that do not count.
        """
        kept = read_json(self.folder.scratch / MARK, limit="BOOK_BYTES")
        stages = sound_entries(kept.get("stages"), inputs=str, outputs=dict)
        return hash_value({name: entry for name, entry in stages.items() if not name.startswith(apart)})

    def _same_output(self, name: str, seen: list[int]) -> bool:
        try:
            stat = (self.folder.path / name).stat()
        except OSError:
            return False
        return [stat.st_size, stat.st_mtime_ns] == seen

    def record(self, stage: str, inputs: Mapping[str, Any], outputs: Sequence[str]) -> None:
        """Note that a stage was built, and keep the book on disk. Raises as `check_steady`; then nothing is noted."""
        self.check_steady()
        seen = {name: self._see(name) for name in outputs}
        self._stages[stage] = {"inputs": hash_value(inputs), "outputs": seen}
        self._made.add(stage)
        self.save()

    def _see(self, name: str) -> list[int]:
        stat = (self.folder.path / name).stat()
        return [stat.st_size, stat.st_mtime_ns]

    def save(self) -> None:
        """Write the book to the scratch folder, never larger than it can be read again.

        Notes: what is left out then are check sums of files, which cost reading these files once more; what was built
        from what is never left out.
        """
        stages = dict(self._stages)
        text = write_table({"files": dict(self._files), "stages": stages})
        if len(text) > find_limit("BOOK_BYTES"):
            text = write_table({"files": {}, "stages": stages})
        write_whole(self.folder.scratch / MARK, text)


def write_table(value: Any) -> bytes:
    """Return a table as sorted JSON, an entry a line where that costs little."""
    return (json.dumps(value, indent=0, sort_keys=True, ensure_ascii=False, separators=(",", ":")) + "\n").encode()
