"""What the review page may change in a shot file, as keys of that file.

Anything that names a file stays with whoever edits the shot file: a page may take such a key out, not set it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from lightstack.errors import SettingError
from lightstack.files.shot.schema import LightPath, ShotSettings

__all__ = ["list_changes", "read_path"]

LIGHT = {"gel", "figure_light", "lay", "group", "using"}
MIX = {"points", "envelope", "unit", "shape", "shutter", "clamp", "response", "pulse", "flicker"}
MIX_OUT = {"table", "table_offset", "follow"}  # may only be taken out
PATH = {"points", "shape"}
PATH_OUT = {"track", "track_offset"}
TRIM = {"gain", "gel"}
SWEEP = {"combine"}
GRAIN = {"amount", "seed"}
STILL = re.compile(r"([0-9]{1,9}:)?[0-9]{1,9}")
MOST_DEEP = 12  # sections and lists in each other
MOST = 20_000  # keys and numbers in one go


def list_changes(settings: ShotSettings, changes: Any) -> dict[str, Any]:
    """Return a page's changes as keys of the shot file, ``"light.0.mix.points"``; None takes a key out.

    ``changes``: ``{"light": {NAME: {...}}, "sweep": {NAME: {"trim": {FRAME: {...}}}}, "grain": {...}}``.

    Raises SettingError for anything that is no change of a light, a sweep or the grain that a page may make.
    """
    table = as_table(changes, "changes")
    refuse_others(table, {"light", "sweep", "grain"}, "changes")
    if count_parts(table) > MOST:
        raise SettingError(f"these are more than {MOST} changes at once")
    found: dict[str, Any] = {}
    for name, wish in as_table(table.get("light", {}), "light").items():
        found.update(list_light(find_place(settings.light, name, "light"), name, wish))
    for name, wish in as_table(table.get("sweep", {}), "sweep").items():
        found.update(list_sweep(find_place(settings.sweep, name, "sweep"), name, wish))
    grain = as_table(table.get("grain", {}), "grain")
    refuse_others(grain, GRAIN, "grain")
    if grain and settings.grain is None:
        raise SettingError("grain: the shot file has no [grain]; add it there")
    found.update({f"grain.{key}": value for key, value in grain.items()})
    for key, value in found.items():
        if value is not None:
            refuse_odd(value, key)
    return found


def list_light(place: int, name: str, wish: Any) -> dict[str, Any]:
    """Return the changes of one light."""
    table, where = as_table(wish, f"light {name}"), f"light.{place}"
    refuse_others(table, LIGHT | {"mix", "path"}, f"light {name}")
    found = {f"{where}.{key}": value for key, value in table.items() if key in LIGHT}
    for section, free, out in (("mix", MIX, MIX_OUT), ("path", PATH, PATH_OUT)):
        if section not in table:
            continue
        if table[section] is None:
            found[f"{where}.{section}"] = None
            continue
        keys = as_table(table[section], f"light {name}: {section}")
        refuse_others(keys, free | out, f"light {name}: {section}")
        for key, value in keys.items():
            if key in out and value is not None:
                raise SettingError(f"light {name}: {section}.{key} names a file or needs one; set it in the shot file")
            found[f"{where}.{section}.{key}"] = value
    return found


def list_sweep(place: int, name: str, wish: Any) -> dict[str, Any]:
    """Return the changes of one sweep."""
    table, where = as_table(wish, f"sweep {name}"), f"sweep.{place}"
    refuse_others(table, SWEEP | {"trim"}, f"sweep {name}")
    found = {f"{where}.{key}": value for key, value in table.items() if key in SWEEP}
    for frame, trim in as_table(table.get("trim", {}), f"sweep {name}: trim").items():
        if not STILL.fullmatch(frame):
            raise SettingError(f'sweep {name}: trim "{frame[:20]}": a still is named by its source frame')
        if trim is None:
            found[f"{where}.trim.{frame}"] = None
            continue
        keys = as_table(trim, f"sweep {name}: trim {frame}")
        refuse_others(keys, TRIM, f"sweep {name}: trim {frame}")
        found.update({f"{where}.trim.{frame}.{key}": value for key, value in keys.items()})
    return found


def find_place(items: tuple[Any, ...], name: str, what: str) -> int:
    """Return where a light or sweep stands in the shot file. Raises SettingError where it does not."""
    for place, item in enumerate(items):
        if item.name == name:
            return place
    known = ", ".join(item.name for item in items) or "none"
    raise SettingError(f"the shot file has no {what} {name[:80]!r}; there are {known}")


def as_table(value: Any, where: str) -> Mapping[str, Any]:
    """Return a table as it is. Raises SettingError for anything else."""
    if not isinstance(value, dict):
        raise SettingError(f"{where}: expected a section of keys")
    return value


def refuse_others(table: Mapping[str, Any], known: set[str], where: str) -> None:
    """Refuse keys that a page may not change. Raises SettingError."""
    for key in table:
        if key not in known:
            raise SettingError(f"{where}: {key[:80]!r} cannot be changed here; known are {', '.join(sorted(known))}")


def refuse_odd(value: Any, where: str) -> None:
    """Refuse what no shot file can hold, nested at most `MOST_DEEP` deep. Raises SettingError."""
    if isinstance(value, dict):
        for key, part in value.items():
            refuse_odd(key, where)
            refuse_odd(part, where)
    elif isinstance(value, list):
        for part in value:
            refuse_odd(part, where)
    elif value is None:
        raise SettingError(f"{where}: nothing may be left empty within it")
    elif isinstance(value, float) and not math.isfinite(value):
        raise SettingError(f"{where}: expected numbers that end")
    elif isinstance(value, str) and not value.isascii() and any("\ud800" <= sign <= "\udfff" for sign in value):
        raise SettingError(f"{where}: holds what is no text")


def count_parts(value: Any) -> int:
    """Count everything in nested tables and lists, level by level. Raises SettingError where they lie too deep."""
    count, level = 0, [value]
    for _ in range(MOST_DEEP):
        level = [
            part
            for one in level
            if isinstance(one, (dict, list))
            for part in (one.values() if isinstance(one, dict) else one)
        ]
        count += len(level)
        if not level:
            return count
    raise SettingError(f"these changes lie more than {MOST_DEEP} sections and lists deep")


def read_path(points: Any) -> LightPath:
    """Return a path from a page's points. Raises SettingError."""
    try:
        return LightPath(points=points)
    except ValueError as error:
        line = " ".join(str(error).splitlines()[2:3]).strip() or "expected [[frame, x, y], ...]"
        raise SettingError(f"points: {line.removeprefix('Value error, ').split(' [type=')[0]}") from None
