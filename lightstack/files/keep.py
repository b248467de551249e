"""Records kept in the scratch folder between two builds: JSON beside one array file, nothing executable."""

from __future__ import annotations

import json
import zipfile
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from lightstack import records
from lightstack.files.folder import replaced_whole


def keep_record(path: Path, record: Any) -> None:
    """Write a record of `lightstack.records` (nested tuples, arrays and records allowed) to an .npz file."""
    arrays: dict[str, np.ndarray] = {}
    tree = _flatten(record, arrays)
    text = np.frombuffer(json.dumps(tree).encode(), np.uint8)
    with replaced_whole(path) as part, part.open("wb") as stream:
        np.savez(stream, allow_pickle=False, tree=text, **arrays)


def recall_record(path: Path) -> Any:
    """Read a kept record back. Raises FileNotFoundError or ValueError if it is not there or broken."""
    try:
        with path.open("rb") as stream, np.load(stream, allow_pickle=False) as kept:
            return _restore(json.loads(kept["tree"].tobytes()), kept)
    except (EOFError, KeyError, TypeError, zipfile.BadZipFile) as error:
        raise ValueError(f"{path}: not a kept record") from error


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
