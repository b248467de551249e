"""What the report shows of a light with another gel."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["RegelReport"]


@dataclass(frozen=True, slots=True)
class RegelReport:
    """One re-gelled light's section of the report: ``numbers`` (label, value with unit); ``swatches`` (what it is,
    sRGB codes): the lamp's colour as filmed, the wanted and the reached one."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    swatches: tuple[tuple[str, tuple[int, int, int]], ...]
