"""The shot file: TOML in, checked settings out; a rewrite keeps comments and order."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from lightstack.core.colour.names import nearest_name
from lightstack.errors import MissingInput, OutputError, SettingError, UnreadableInput
from lightstack.files.folder import explain_os_error, write_whole
from lightstack.files.shot.schema import ShotSettings, Sweep
from lightstack.files.shot.shot_errors import explain_problem, explain_validation, make_error, sort_problems

__all__ = ["change_text", "check_sweep", "clean_name", "parse_shot", "read_shot", "update_shot", "write_new_shot"]

MAX_BYTES = 8 * 2**20  # a shot file is written by hand; a movie named by mistake should not be parsed


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


def parse_shot(text: str, path: Path) -> ShotSettings:
    """Check the text of a shot file that stands, or will stand, at ``path``. Raises as ``read_shot``."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _explain_syntax(error, path) from None
    except RecursionError:
        raise SettingError(f"{path}: is nested too deeply to be a shot file") from None
    data = _fill_names(_freeze(raw), path)
    _check_lists(data, path, text)
    try:
        settings = ShotSettings.model_validate(data)
    except ValidationError as error:
        raise explain_validation(error, path, text) from None
    _check_together(settings, path, text)
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
        if path.stat().st_size > MAX_BYTES:
            raise UnreadableInput(f"{path}: is too large to be a shot file; name a TOML text file")
        data = path.read_bytes()
        return data.decode("utf-8-sig")
    except UnreadableInput:
        raise
    except OSError as error:
        raise UnreadableInput(f"{path}: cannot be read ({error.strerror}); check its permissions") from error
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UnreadableInput(f"{path}, line {line}: is not UTF-8 text; save the shot file as UTF-8") from None


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
    if isinstance(light["from"], str):
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


def _check_together(settings: ShotSettings, path: Path, text: str) -> None:
    """Check what no key can know by itself. Raises SettingError."""
    for section in ("sweep", "light", "patch", "element"):
        names: Sequence[str] = [item.name for item in getattr(settings, section)]
        for number, name in enumerate(names):
            if name in names[:number]:
                raise make_error(path, text, (section, number, "name"), f'= "{name}": is used twice; rename one')
    sweeps = [sweep.name for sweep in settings.sweep]
    for number, light in enumerate(settings.light):
        place = ("light", number, "from")
        if light.source not in sweeps:
            near = nearest_name(light.source, sweeps)
            hint = f"; the nearest is {near}" if near else f"; there are {', '.join(sweeps) or 'none'}"
            raise make_error(path, text, place, f'= "{light.source}": there is no such sweep{hint}')
    screened = [(number, light) for number, light in enumerate(settings.light) if light.lay == "screen"]
    for number, light in screened:
        if light.screen_white != screened[0][1].screen_white:  # they are joined into one light under one white
            place = ("light", number, "screen_white")
            first = f"{screened[0][1].screen_white:g} of light {screened[0][1].name}"
            said = f"= {light.screen_white:g} differs from {first}; screened lights share one"
            raise make_error(path, text, place, said)
    if settings.light and settings.takes.hero is None:
        raise make_error(path, text, ("light", 0), "needs [takes.hero], the take that the light is laid on")
    _check_followers(settings, path, text)
    _check_patches(settings, path, text)
    _check_holdout(settings, path, text)
    _check_frames(settings, path, text)
    _check_camera(settings, path, text)


def _check_followers(settings: ShotSettings, path: Path, text: str) -> None:
    """Check that followers name takes that are there. Raises SettingError."""
    takes = [name for name in type(settings.takes).model_fields if getattr(settings.takes, name) is not None]
    known = [*takes, *(sweep.name for sweep in settings.sweep)]
    for number, light in enumerate(settings.light):
        for place, wish in enumerate(light.mix.follow):
            if wish.take is not None and wish.take not in known:
                near = nearest_name(wish.take, known)
                hint = f"; the nearest is {near}" if near else f"; there are {', '.join(known)}"
                message = f'= "{wish.take}": there is no such take or sweep{hint}'
                raise make_error(path, text, ("light", number, "mix", "follow", place, "take"), message)


def _check_camera(settings: ShotSettings, path: Path, text: str) -> None:
    """Check that there is a light that was taped. Raises SettingError."""
    if settings.camera is None:
        return
    names = [light.name for light in settings.light]
    if not names:
        raise make_error(path, text, ("camera",), "tells where the lamp of a [[light]] was, and there is none")
    if settings.camera.light is not None and settings.camera.light not in names:
        message = f'= "{settings.camera.light}": there is no such light; there are {", ".join(names)}'
        raise make_error(path, text, ("camera", "light"), message)


def _check_patches(settings: ShotSettings, path: Path, text: str) -> None:
    """Check where patches come from, and that the shot has their frames. Raises SettingError."""
    if settings.patch and settings.takes.hero is None:
        raise make_error(path, text, ("patch", 0), "needs [takes.hero], the take that it is laid on")
    takes = [name for name in type(settings.takes).model_fields if getattr(settings.takes, name) is not None]
    takes += ["clean"] if getattr(settings, "clean", None) is not None and "clean" not in takes else []
    known = [*takes, *(sweep.name for sweep in settings.sweep)]
    for number, patch in enumerate(settings.patch):
        if patch.source not in known and not patch.is_path:
            near = nearest_name(patch.source, known)
            hint = f"; the nearest is {near}" if near else f"; there are {', '.join(known)}"
            message = f'= "{patch.source}": there is no such take or sweep{hint}'
            raise make_error(path, text, ("patch", number, "from"), message)
        frames, have = patch.frames, settings.shot.frames
        if frames is not None and have is not None and (frames[1] < have[0] or frames[0] > have[1]):
            message = f"= [{frames[0]}, {frames[1]}]: none of them is among the shot's frames {have[0]} to {have[1]}"
            raise make_error(path, text, ("patch", number, "frames"), message)


def _check_holdout(settings: ShotSettings, path: Path, text: str) -> None:
    """Check what the hold-out is told from. Raises SettingError."""
    wish = settings.holdout
    if wish is None:
        return
    if settings.takes.hero is None:
        raise make_error(path, text, ("holdout",), "needs [takes.hero], in which the figure stands")
    takes = [name for name in ("empty_lit", "empty", "clean") if getattr(settings.takes, name) is not None]
    takes += ["clean"] if settings.clean is not None and "clean" not in takes else []
    known = ["auto", "none", *takes, *(sweep.name for sweep in settings.sweep)]
    if wish.source not in known:
        near = nearest_name(wish.source, known)
        hint = f"; the nearest is {near}" if near else f"; there are {', '.join(known)}"
        message = f'= "{wish.source}": there is no such take or sweep{hint}'
        raise make_error(path, text, ("holdout", "from"), message)


def _check_frames(settings: ShotSettings, path: Path, text: str) -> None:
    shot = settings.shot
    if shot.frames is None:
        return
    first, last = shot.frames
    if first < shot.first_frame:
        message = f"begins at {first}, before the hero's first frame {shot.first_frame}"
        raise make_error(path, text, ("shot", "frames"), message)
    for frame in settings.preview.frames:
        if not first <= frame <= last:
            message = f"names {frame}, outside the shot's frames {first} to {last}"
            raise make_error(path, text, ("preview", "frames"), message)


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
