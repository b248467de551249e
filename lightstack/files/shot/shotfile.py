"""The shot file: TOML in, checked settings out; a rewrite keeps comments and order."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from lightstack.core.colour.names import nearest_name
from lightstack.errors import MissingInput, OutputError, SettingError, UnreadableInput
from lightstack.files.folder import explain_os_error, write_whole
from lightstack.files.limits import check_file_size
from lightstack.files.shot.schema import ShotSettings, Sweep
from lightstack.files.shot.schema_types import is_name
from lightstack.files.shot.shot_errors import explain_problem, explain_validation, make_error, sort_problems
from lightstack.files.shot.shot_together import check_together

__all__ = [
    "change_text", "check_sweep", "clean_name", "looks_like_shot", "parse_shot", "read_shot", "update_shot",
    "write_new_shot",
]  # fmt: skip

_DEEP_KEY = re.compile(r"(?<![A-Za-z0-9_-])(?:[A-Za-z0-9_-]+[ \t]*\.[ \t]*){200}")  # a dotted key; ours have five


def read_shot(path: str | Path) -> ShotSettings:
    """Read and check a shot file.

    Raises
    ------
    MissingInput
        If nothing lies at the path.
    UnreadableInput
        If it is a folder, too large, or not UTF-8 text.
    SettingError
        One line naming file, line and key: broken TOML, unknown or reserved keys, values out of range,
        or keys that contradict each other.
    """
    path = Path(path)
    return parse_shot(_read_text(path), path)


def looks_like_shot(path: Path) -> bool:
    """Tell whether a file has a [shot], whatever else is in it, and whether or not it can be read whole."""
    try:
        return re.search(r"(?m)^[ \t]*\[[ \t]*shot[ \t]*\]", _read_text(path)) is not None
    except (OSError, SettingError):
        return False


def parse_shot(text: str, path: Path) -> ShotSettings:
    """Check the text of a shot file that stands, or will stand, at ``path``. Raises as ``read_shot``."""
    if _DEEP_KEY.search(text):  # reading it would take minutes
        raise SettingError(f"{path}: is nested too deeply to be a shot file")
    try:
        raw = _freeze(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise _explain_syntax(error, path) from None
    except ValueError:  # Python reads no number of more than some thousand digits
        raise SettingError(f"{path}: holds a number of thousands of digits; write one that can be meant") from None
    except RecursionError:
        raise SettingError(f"{path}: is nested too deeply to be a shot file") from None
    data = _fill_names(raw, path)
    _check_lists(data, path, text)
    try:
        settings = ShotSettings.model_validate(data)
    except ValidationError as error:
        raise explain_validation(error, path, text) from None
    check_together(settings, path, text)
    settings._path = path
    for take in settings.list_takes():
        take._folder = path.parent
    return settings


def check_sweep(raw: Mapping[str, Any]) -> Sweep:
    """Check the keys of one sweep that were given on the command line.

    Raises SettingError naming the option.
    """
    try:
        return Sweep.model_validate(_freeze(dict(raw)))
    except ValidationError as error:
        problem = sort_problems(error)[0]
        place, message = explain_problem(problem, ("sweep", 0, *problem["loc"]))
        option = "--" + str(place[2]).replace("_", "-") if len(place) > 2 else "the options"
        raise SettingError(f"{option} {message}") from None


def update_shot(path: str | Path, changes: Mapping[str, Any]) -> ShotSettings:
    """Change keys of a shot file in place; comments, order and everything else stay.

    Parameters
    ----------
    changes : key -> value, keys as ``"shot.version"``, ``"sweep.0.coverage"``, ``"light.1.mix.points"``
        (lists counted from 0). None takes a key out. A section that is not there is made.

    Returns the settings of the changed file. Nothing is written unless the result is valid.

    Raises as ``read_shot``, and OutputError where the file cannot be written.
    """
    path = Path(path)
    text = _read_text(path)
    parse_shot(text, path)
    changed = change_text(text, changes)
    settings = parse_shot(changed, path)
    write_whole(path, changed.encode())
    return settings


def change_text(text: str, changes: Mapping[str, Any]) -> str:
    """Return the text of a shot file with changed keys, as ``update_shot`` says; it is not checked.

    Raises SettingError for a section that is not there.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for name, value in changes.items():
        _change(document, name, value)
    return tomlkit.dumps(document)


def write_new_shot(path: Path, text: str) -> None:
    """Write a shot file where none is yet.

    Raises OutputError if something lies there already or the folder cannot be written.
    """
    if path.exists() or path.is_symlink():
        raise OutputError(f"{path}: is there already and is never overwritten; move it away or edit it")
    with explain_os_error(path):
        write_whole(path, text.encode())


def clean_name(text: str) -> str:
    """Make a name that can go into file names."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", text).strip("._-")
    return name[:80] or "shot"


def _read_text(path: Path) -> str:
    if not path.exists():
        others = [other.name for other in path.parent.glob("*.toml") if other.name != "pyproject.toml"]
        near = nearest_name(path.name, others)
        hint = f"; did you mean {near}?" if near else "; `lightstack new FOLDER` writes one"
        raise MissingInput(f"{path}: no such shot file{hint}")
    if path.is_dir():
        raise UnreadableInput(f"{path}: is a folder, a shot file was expected; name {path / 'shot.toml'}")
    try:
        check_file_size(path, "SHOT_BYTES")  # a movie named by mistake should not be parsed
        data = path.read_bytes()
        return data.decode("utf-8-sig")
    except UnreadableInput as error:
        raise error if path.suffix == ".toml" else _no_shot_file(path) from None
    except OSError as error:
        raise UnreadableInput(f"{path}: cannot be read ({error.strerror}); check its permissions") from error
    except UnicodeDecodeError as error:
        if path.suffix != ".toml":
            raise _no_shot_file(path) from None
        line = data[: error.start].count(b"\n") + 1
        raise UnreadableInput(f"{path}, line {line}: is not UTF-8 text; save the shot file as UTF-8") from None


def _no_shot_file(path: Path) -> UnreadableInput:
    return UnreadableInput(
        f"{path}: is no shot file, which is UTF-8 text; name the .toml that names the takes, "
        "`lightstack new FOLDER` writes one"
    )


def _explain_syntax(error: tomllib.TOMLDecodeError, path: Path) -> SettingError:
    message = str(error)
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    line = f", line {found[1]}" if found and found[1] else ""
    plain = message[: found.start()] if found else message
    return SettingError(f"{path}{line}: is not valid TOML: {plain[:1].lower()}{plain[1:]}".replace("\n", " "))


def _freeze(value: Any) -> Any:
    """Turn lists into tuples, so that settings are frozen through and through."""
    if isinstance(value, dict):
        return {name: _freeze(item) for name, item in value.items()}
    return tuple(_freeze(item) for item in value) if isinstance(value, (list, tuple)) else value


def _fill_names(data: dict[str, Any], path: Path) -> dict[str, Any]:
    """Name what the file leaves unnamed: the shot, the sweeps, the lights."""
    filled = dict(data)
    shot = filled.get("shot", {})
    if isinstance(shot, dict) and "name" not in shot:
        stem = path.resolve().parent.name if path.stem == "shot" else path.stem
        filled["shot"] = {**shot, "name": clean_name(stem)}
    sweeps = filled.get("sweep", ())
    if isinstance(sweeps, tuple):
        filled["sweep"] = tuple(_name_item(sweep, "sweep", number) for number, sweep in enumerate(sweeps, start=1))
        first = next((sweep["name"] for sweep in filled["sweep"] if isinstance(sweep, dict)), None)
    lights, taken = filled.get("light", ()), dict[Any, int]()
    if isinstance(lights, tuple) and isinstance(sweeps, tuple) and first is not None:
        filled["light"] = tuple(_name_light(light, first, taken) for light in lights)
    patches = filled.get("patch", ())
    if isinstance(patches, tuple):
        filled["patch"] = tuple(_name_item(patch, "patch", number) for number, patch in enumerate(patches, start=1))
    elements = filled.get("element", ())
    if isinstance(elements, tuple):
        filled["element"] = tuple(_name_item(one, "element", number) for number, one in enumerate(elements, start=1))
    return filled


def _name_light(light: Any, sweep: str, taken: dict[Any, int]) -> Any:
    """Give a light its sweep, and its sweep's name, with a number where one sweep feeds several."""
    if not isinstance(light, dict):
        return light
    light = {"from": sweep, **light}
    if isinstance(light["from"], str) and is_name(light["from"]):  # else it is told that no sweep is called so
        taken[light["from"]] = taken.get(light["from"], 0) + 1
        return _name_item(light, light["from"], taken[light["from"]])
    return light


def _name_item(item: Any, name: str, number: int) -> Any:
    if not isinstance(item, dict) or "name" in item:
        return item
    return {"name": name if number == 1 else f"{name}_{number}", **item}


def _check_lists(data: Mapping[str, Any], path: Path, text: str) -> None:
    """Name the usual slip: [sweep] where [[sweep]] was meant."""
    for name in ("sweep", "light", "patch", "element"):
        if isinstance(data.get(name), dict):
            raise make_error(path, text, (name,), f"is a list: write [[{name}]] with two brackets")


def _change(document: Any, name: str, value: Any) -> None:
    """Set, or with None take out, one key of a TOML document."""
    import tomlkit

    *sections, last = name.split(".")
    node: Any = document
    for part in sections:
        if isinstance(node, list):
            if not part.isdigit() or int(part) >= len(node):
                raise SettingError(f"{name}: the shot file has no such section")
            node = node[int(part)]
            continue
        if part not in node:
            node[part] = tomlkit.table()
        node = node[part]
    if not hasattr(node, "keys"):
        raise SettingError(f"{name}: the shot file has no such section")
    if value is None:
        node.pop(last, None)
    else:
        node[last] = value
