"""Names that people type: the nearest known one, for error messages."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import SequenceMatcher

__all__ = ["MEASURED", "nearest_name", "nearest_names", "suggest_name"]

LONGEST_NAME = 200  # letters; what is longer was pasted by mistake, and likeness takes long to tell
MEASURED = "measured"  # the colour of footage that is read by a response of its own


def nearest_names(word: str, names: Iterable[str], *, count: int = 3, least: float = 0.5) -> tuple[str, ...]:
    """Return up to ``count`` of ``names`` most like ``word``, best first.

    Case, spaces, dots, dashes and underscores do not count. ``least`` is the smallest likeness (0..1) worth
    offering. Equal likeness keeps the order of ``names``.
    """
    if len(word) > LONGEST_NAME:
        return ()
    wanted = _fold(word)
    scored = [(_likeness(wanted, _fold(name)), name) for name in names]
    scored = [pair for pair in scored if pair[0] >= least]
    return tuple(name for _, name in sorted(scored, key=lambda pair: -pair[0])[:count])


def nearest_name(word: str, names: Iterable[str]) -> str | None:
    """Return the one of ``names`` most like ``word``, or None where nothing is like it."""
    found = nearest_names(word, names, count=1)
    return found[0] if found else None


def suggest_name(word: str, names: Iterable[str]) -> str:
    """Return ' (nearest: a, b)' for an error message, or '' where nothing is near."""
    found = nearest_names(word, names)
    return f" (nearest: {', '.join(found)})" if found else ""


def _fold(text: str) -> str:
    return "".join(letter for letter in text.lower() if letter.isalnum())


def _likeness(wanted: str, name: str) -> float:
    if not wanted or not name:
        return 0.0
    # "slog" should find "S-Log3 S-Gamut3" before "scc"; a single letter is in nearly every name
    if min(len(wanted), len(name)) > 1 and (wanted in name or name in wanted):
        return 0.75 + 0.25 * min(len(wanted), len(name)) / max(len(wanted), len(name))
    return SequenceMatcher(None, wanted, name).ratio()
