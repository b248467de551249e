"""Where a key stands in a TOML text, so that an error can name the line."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["find_line"]

Path = tuple[str | int, ...]

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_HEADER = re.compile(rf"(\[\[?)[ \t]*({_DOTTED})[ \t]*\]\]?")
_ASSIGNMENT = re.compile(rf"({_DOTTED})[ \t]*=[ \t]*")
_STRING = re.compile(r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_SPACE = re.compile(r"(?:\s|#[^\n]*)*")
_PLAIN = re.compile(r"[^,\]}\n#]*")


def find_line(text: str, path: Sequence[str | int]) -> int | None:
    """Return the line (from 1) on which a key of a valid TOML text stands.

    ``path``: section, number within a list (from 0), key and so on, e.g. ``("sweep", 0, "coverage")``.
    Where the key itself does not stand in the text, e.g. because it is missing, the line of what should
    hold it is returned; None where nothing of the path stands in the text.
    """
    places = _list_places(text)
    wanted = tuple(path)
    for length in range(len(wanted), 0, -1):
        if wanted[:length] in places:
            return text.count("\n", 0, places[wanted[:length]]) + 1
    return None


def _list_places(text: str) -> dict[Path, int]:
    """Map every header, key and list item to where it begins."""
    places: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    section: Path = ()
    position = 0
    while (position := _skip_space(text, position)) < len(text):
        header, assignment = _HEADER.match(text, position), _ASSIGNMENT.match(text, position)
        if header:
            section = _enter(_split_key(header[2]), header[1] == "[[", counts)
            _note(places, section, position)
            position = header.end()
        elif assignment:
            position = _scan_assignment(text, assignment, section, places)
        else:
            position = _next_line(text, position)  # not TOML; go on with the next line
    return places


def _scan_assignment(text: str, assignment: re.Match[str], section: Path, places: dict[Path, int]) -> int:
    """Note a key and all that its value holds; return where the value ends."""
    key = _split_key(assignment[1])
    for length in range(1, len(key) + 1):
        _note(places, section + key[:length], assignment.start())
    return _scan_value(text, assignment.end(), section + key, places)


def _scan_value(text: str, position: int, path: Path, places: dict[Path, int]) -> int:
    """Note what a value holds; return where it ends."""
    opening = text[position : position + 1]
    if opening not in ("[", "{"):
        string = _STRING.match(text, position)
        plain = string or _PLAIN.match(text, position)
        return plain.end() if plain else position
    closing = "]" if opening == "[" else "}"
    item = 0
    position = _skip_space(text, position + 1)
    while position < len(text) and text[position] != closing:
        before = position
        assignment = _ASSIGNMENT.match(text, position) if opening == "{" else None
        if assignment:
            position = _scan_assignment(text, assignment, path, places)
        else:
            _note(places, (*path, item), position)
            position = _scan_value(text, position, (*path, item), places)
        position = _skip_space(text, position)
        if text[position : position + 1] == ",":
            item += 1
            position = _skip_space(text, position + 1)
        if position == before:
            return _next_line(text, position)  # not TOML
    return position + 1


def _note(places: dict[Path, int], path: Path, position: int) -> None:
    """Keep the first place of a path, and of the list where the path is an item of one."""
    places.setdefault(path, position)
    if path and isinstance(path[-1], int):
        places.setdefault(path[:-1], position)


def _enter(names: tuple[str, ...], is_list: bool, counts: dict[Path, int]) -> Path:
    """Return a header's path with the number of each list section that it stands in."""
    path: Path = ()
    for position, name in enumerate(names):
        path = (*path, name)
        if is_list and position == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _split_key(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _skip_space(text: str, position: int) -> int:
    found = _SPACE.match(text, position)
    return found.end() if found else position


def _next_line(text: str, position: int) -> int:
    end = text.find("\n", position)
    return len(text) if end < 0 else end + 1
