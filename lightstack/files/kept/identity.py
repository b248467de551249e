"""Who a file is: its SHA-256, remembered with size, time stamp and inode so that it is read once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from lightstack.errors import MissingInput
from lightstack.files.folder import MARK, OutFolder, read_json, write_json
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
        return sorted(file for file in path.iterdir() if file.is_file())
    if looks_like_stills(path):  # one file of a numbered sequence stands for all of it
        return list(find_stills(path, allow_gaps=True).paths.values())
    return [path]


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

    def __init__(self, folder: OutFolder, *, verify: bool = False) -> None:
        self.folder = folder
        self.verify = verify
        self._made: set[str] = set()
        mark = folder.scratch / MARK
        kept = read_json(mark)
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
        seen = [stat.st_size, stat.st_mtime_ns, stat.st_ino]
        key = str(path.resolve())
        known = self._files.get(key)
        if self.verify or not known or known["seen"] != seen:
            known = {"seen": seen, "sha256": hash_file(path)}
            self._files[key] = known
        return str(known["sha256"])

    def identify(self, paths: Sequence[Path]) -> list[str]:
        """Return the identities of several files, in order; folders stand for the files in them."""
        return [self.identity(file) for path in paths for file in list_files(path)]

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
        kept = read_json(self.folder.scratch / MARK)
        self._files.update(sound_entries(kept.get("files"), seen=list, sha256=str))
        self._stages = sound_entries(kept.get("stages"), inputs=str, outputs=dict)

    def fingerprint(self, *, apart: tuple[str, ...] = ()) -> str:
        """Return what tells one state of the recorded stages on disk from another.

        ``apart``: how names of stages begin that do not count.
        """
        stages = sound_entries(read_json(self.folder.scratch / MARK).get("stages"), inputs=str, outputs=dict)
        return hash_value({name: entry for name, entry in stages.items() if not name.startswith(apart)})

    def _same_output(self, name: str, seen: list[int]) -> bool:
        try:
            stat = (self.folder.path / name).stat()
        except OSError:
            return False
        return [stat.st_size, stat.st_mtime_ns] == seen

    def record(self, stage: str, inputs: Mapping[str, Any], outputs: Sequence[str]) -> None:
        """Note that a stage was built, and keep the book on disk."""
        seen = {name: self._see(name) for name in outputs}
        self._stages[stage] = {"inputs": hash_value(inputs), "outputs": seen}
        self._made.add(stage)
        self.save()

    def _see(self, name: str) -> list[int]:
        stat = (self.folder.path / name).stat()
        return [stat.st_size, stat.st_mtime_ns]

    def save(self) -> None:
        """Write the book to the scratch folder."""
        write_json(self.folder.scratch / MARK, {"files": dict(self._files), "stages": dict(self._stages)})
