"""Changes to a shot file that somebody looks at before they are written: text in, text out, nothing lost."""

from __future__ import annotations

import copy
import difflib
import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightstack.errors import MissingInput, SettingError, UnreadableInput
from lightstack.files.folder import explain_os_error, write_whole
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.shot.shotfile import change_text, parse_shot

__all__ = ["ChangedShot", "change_shot", "read_shot_bytes", "write_changed_shot"]


@dataclass(frozen=True, slots=True)
class ChangedShot:
    """A shot file as it would be: ``text`` and ``settings``; ``diff`` against the file, which has that ``sha256``."""

    text: str
    settings: ShotSettings
    diff: str
    sha256: str


def read_shot_bytes(path: Path) -> tuple[bytes, str]:
    """Return a shot file's bytes and their SHA-256. Raises MissingInput, UnreadableInput."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise MissingInput(f"{path}: nothing is there; the shot file was moved or removed") from None
    except OSError as error:
        raise UnreadableInput(f"{path}: cannot be read ({error.strerror}); check its permissions") from error
    return data, hashlib.sha256(data).hexdigest()


def change_shot(path: Path, changes: Mapping[str, Any]) -> ChangedShot:
    """Return a shot file with changed keys, not written. ``changes`` as for ``shotfile.update_shot``.

    Raises SettingError where the result is no valid shot file, or a change cannot be laid into its text.
    """
    data, sha256 = read_shot_bytes(path)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableInput(f"{path}: is not UTF-8 text; save the shot file as UTF-8") from None
    parse_shot(text, path)
    changed = change_text(text, changes)
    settings = parse_shot(changed, path)
    if tomllib.loads(changed) != change_values(tomllib.loads(text), changes):
        raise SettingError(f"{path}: these changes cannot be laid into the file without disturbing it; edit it by hand")
    lines = difflib.unified_diff(
        text.splitlines(), changed.splitlines(), path.name, f"{path.name} (as it would be)", lineterm="", n=2
    )
    return ChangedShot(changed, settings, "\n".join(lines), sha256)


def write_changed_shot(path: Path, changes: Mapping[str, Any], sha256: str) -> str | None:
    """Change a shot file in place and return its new SHA-256; None, and nothing is written, where it is not ``sha256``.

    Raises as `change_shot`, and OutputError where the file cannot be written.
    """
    if read_shot_bytes(path)[1] != sha256:
        return None
    changed = change_shot(path, changes)
    if changed.sha256 != sha256:
        return None
    data = changed.text.encode()
    if path.is_symlink():  # the file itself changes, not the name that leads to it
        path = path.resolve()
    with explain_os_error(path):
        write_whole(path, data)
    return hashlib.sha256(data).hexdigest()


def change_values(data: dict[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values of a shot file, as TOML gives them, with the same keys changed."""
    made = copy.deepcopy(data)
    for name, value in changes.items():
        *sections, last = name.split(".")
        node: Any = made
        for part in sections:
            node = node[int(part)] if isinstance(node, list) else node.setdefault(part, {})
        if value is None:
            node.pop(last, None)
        else:
            node[last] = value
    return made
