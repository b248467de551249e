"""The manifest: what went in, how it was set, what came out. Paths are relative, nothing of the machine."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from lightstack import __version__
from lightstack.core.colour.measured import name_curve
from lightstack.files.folder import OutFolder, write_json
from lightstack.files.kept.identity import StageBook, hash_file
from lightstack.records import TakeInfo


def describe_take(info: TakeInfo, book: StageBook, folder: OutFolder) -> dict[str, Any]:
    """Return what the manifest says of a take: files with checksums, size, rate, encoding, guesses."""
    encoding = info.encoding
    return {
        "files": [
            {"path": os.path.relpath(path, folder.path), "sha256": digest}
            for path, digest in ((path, book.identity(path)) for path in info.paths)
        ],
        "size": [info.width, info.height],
        "frames": [info.first_frame, info.last_frame],
        "rate": None if info.rate is None else str(info.rate),
        "codec": info.codec,
        "rotation": info.rotation,
        "pixel_aspect": str(info.pixel_aspect),
        "timecode": info.timecode,
        "encoding": {
            "matrix": encoding.matrix,
            "range": encoding.range,
            "bit_depth": encoding.bit_depth,
            "chroma": encoding.chroma,
            "transfer": name_curve(encoding),
            "primaries": encoding.primaries,
            "assumed": list(encoding.assumed),
        },
        "notes": list(info.notes),
    }


def hash_outputs(folder: OutFolder, names: Sequence[str]) -> dict[str, str]:
    """Return the checksums of outputs by name."""
    return {name: hash_file(folder.file(name)) for name in names}


def write_manifest(
    folder: OutFolder,
    *,
    takes: Mapping[str, dict[str, Any]],
    settings: Mapping[str, Any],
    space: Mapping[str, Any],
    sweeps: Mapping[str, Any],
    findings: Sequence[Mapping[str, Any]] = (),
    holdout: Mapping[str, Any] | None = None,
    regels: Mapping[str, Any] | None = None,
    flash: Mapping[str, Any] | None = None,
    outputs: Sequence[tuple[str, str]],
    warnings: Sequence[str],
    known: Mapping[str, str] | None = None,
) -> Path:
    """Write manifest.json with a checksum for every output and return its path; ``known``: checksums by name."""
    path = folder.file("manifest.json")
    known = {**hash_outputs(folder, [name for name, _ in outputs if name not in (known or {})]), **(known or {})}
    write_json(
        path,
        {
            "made_by": f"lightstack {__version__}",
            "takes": dict(takes),
            "settings": dict(settings),
            "working_space": dict(space),
            "sweeps": dict(sweeps),
            "findings": [dict(take) for take in findings],
            **({} if holdout is None else {"holdout": dict(holdout)}),
            **({"regels": dict(regels)} if regels else {}),
            **({} if flash is None else {"flash": dict(flash)}),
            "outputs": [{"path": name, "what": what, "sha256": known[name]} for name, what in outputs],
            "warnings": list(warnings),
        },
    )
    return path
