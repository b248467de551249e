"""Where a key stands in a TOML text, so that an error can name the line."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["find_line"]

_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')"""
_DOTTED = rf"{_KEY}(?:\s*\.\s*{_KEY})*"
_HEADER = re.compile(rf"^\s*(\[\[?)\s*({_DOTTED})\s*\]\]?")
_ASSIGNMENT = re.compile(rf"^\s*({_DOTTED})\s*=")
_STRING = re.compile(r'"""(?:\\.|[^\\])*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)


def find_line(text: str, path: Sequence[str | int]) -> int | None:
    """Return the line (from 1) on which a key of the text stands.

    ``path``: section, number within a list of sections, key and so on, e.g. ``("sweep", 0, "coverage")``.
    Where the key itself is not found, e.g. because it is missing, the nearest enclosing section's or key's
    line is returned; None where nothing of the path stands in the text.
    """
    places = _list_places(text)
    wanted = tuple(path)
    for length in range(len(wanted), 0, -1):
        if wanted[:length] in places:
            line = places[wanted[:length]]
            return _search_inside(text, line, wanted[length:])
    return None


def _list_places(text: str) -> dict[tuple[str | int, ...], int]:
    """Map every header and every key at the start of a line to its line."""
    places: dict[tuple[str | int, ...], int] = {}
    counts: dict[tuple[str | int, ...], int] = {}
    section: tuple[str | int, ...] = ()
    depth = 0
    lines = _blank_strings(text).split("\n")
    source = text.split("\n")
    for number, (line, original) in enumerate(zip(lines, source, strict=True), start=1):
        if depth == 0:
            header, assignment = _HEADER.match(original), _ASSIGNMENT.match(original)
            if header and not assignment:
                section = _enter(_split_key(header[2]), header[1] == "[[", counts)
                places.setdefault(section, number)
                continue
            if assignment:
                key = _split_key(assignment[1])
                for length in range(1, len(key) + 1):
                    places.setdefault(section + key[:length], number)
        code = line.split("#", 1)[0]
        depth = max(0, depth + sum(code.count(c) for c in "[{") - sum(code.count(c) for c in "]}"))
    return places


def _enter(
    names: tuple[str, ...], is_list: bool, counts: dict[tuple[str | int, ...], int]
) -> tuple[str | int, ...]:
    """Return a header's path with the number of each list section that it stands in."""
    path: tuple[str | int, ...] = ()
    for position, name in enumerate(names):
        path = (*path, name)
        if is_list and position == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _split_key(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, dotted))


def _blank_strings(text: str) -> str:
    """Replace what stands in strings by spaces, lines kept, so that brackets and # in them do not count.

    A comment may hold a lone quotation mark, so comments are skipped as a whole.
    """
    pattern = re.compile(rf"(?P<comment>#[^\n]*)|{_STRING.pattern}", re.DOTALL)
    return pattern.sub(lambda found: re.sub(r"[^\n]", " ", found[0]), text)


def _search_inside(text: str, line: int, rest: tuple[str | int, ...]) -> int:
    """Look for the last name of ``rest`` in the value that starts on ``line``."""
    names = [part for part in rest if isinstance(part, str)]
    if not names:
        return line
    pattern = re.compile(rf"""(?<![\w-])["']?{re.escape(names[-1])}["']?\s*=""")
    for number, content in enumerate(text.split("\n")[line - 1 :], start=line):
        if number > line and _HEADER.match(content):
            break
        if pattern.search(content):
            return number
    return line
