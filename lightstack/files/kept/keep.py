"""Records kept in the scratch folder between two builds: JSON beside one array file, nothing executable."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, TypeVar
from zipfile import ZIP_STORED

import numpy as np

from lightstack import records
from lightstack.files.folder import replaced_whole
from lightstack.files.limits import check_file_size
from lightstack.records import Progress

Record = TypeVar("Record")


def keep_record(path: Path, record: Any) -> None:
    """Write a record of `lightstack.records` (nested tuples, arrays and records allowed) to an .npz file."""
    arrays: dict[str, np.ndarray] = {}
    tree = _flatten(record, arrays)
    text = np.frombuffer(json.dumps(tree).encode(), np.uint8)
    with replaced_whole(path) as part, part.open("wb") as stream:
        np.savez(stream, allow_pickle=False, tree=text, **arrays)


def recall_record(path: Path, kind: type[Record]) -> Record:
    """Read a kept record of a kind back.

    Raises
    ------
    FileNotFoundError
        If nothing is there.
    ValueError
        If it is broken, of another kind, or was kept by a version whose records were made up differently.
    """
    try:
        check_file_size(path, "KEPT_BYTES")
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            _refuse_packed(kept)
            record = _restore(json.loads(kept["tree"].tobytes()), kept)
    except FileNotFoundError:
        raise
    except Exception as error:  # a damaged archive fails in as many ways as there are readers under it
        raise ValueError(f"{path}: not a kept record") from error
    if not isinstance(record, kind):
        raise ValueError(f"{path}: not a kept {kind.__name__}")
    return record


def recall_or_none(path: Path, kind: type[Record], *, progress: Progress) -> Record | None:
    """Read a kept record back; where it cannot be read, say so in one line and return None: it was not built."""
    try:
        return recall_record(path, kind)
    except (OSError, ValueError):
        progress.say(f"{path}: what the last build kept cannot be read; that part is built again")
        return None


def _refuse_packed(kept: Any) -> None:
    """Refuse an archive that is compressed, as none kept here is: it may hold anything. Raises ValueError."""
    if any(entry.compress_type != ZIP_STORED for entry in kept.zip.infolist()):
        raise ValueError("compressed")


def _flatten(value: Any, arrays: dict[str, np.ndarray]) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        named = {f.name: _flatten(getattr(value, f.name), arrays) for f in fields(value)}
        return {"record": type(value).__name__, "fields": named}
    if isinstance(value, (np.ndarray, np.generic)):
        name = f"array_{len(arrays)}"
        arrays[name] = np.asarray(value)
        return {"array": name}
    if isinstance(value, (list, tuple)):
        return [_flatten(item, arrays) for item in value]
    if value is None or isinstance(value, (str, int, float, bool)):
        return value
    raise TypeError(f"a {type(value).__name__} cannot be kept")


def _restore(tree: Any, arrays: Any) -> Any:
    if isinstance(tree, list):
        return tuple(_restore(item, arrays) for item in tree)
    if isinstance(tree, dict) and "array" in tree:
        return arrays[tree["array"]]
    if isinstance(tree, dict):
        kind = getattr(records, tree["record"])
        return kind(**{name: _restore(item, arrays) for name, item in tree["fields"].items()})
    return tree
