"""What the command line asks of an inspection, and what it answers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import GRADES, TakeFindings

__all__ = ["InspectOptions", "Inspected", "describe_findings"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectOptions(BuildOptions):
    """How to inspect. ``quick``: evenly spaced frames only. The rest are keys of a take; None is their default."""

    quick: bool = False
    mains: tuple[float, ...] = (50.0, 60.0)
    colour: str | None = None
    response: str | None = None
    range: str | None = None
    matrix: str | None = None
    rotate: int | None = None


@dataclass(frozen=True, slots=True)
class Inspected:
    """What an inspection found. ``notes``: what was assumed, and what holds for several takes together."""

    takes: tuple[TakeFindings, ...]
    notes: tuple[str, ...] = ()
    out: Path | None = None
    files: tuple[str, ...] = ()
    quick: bool = False

    @property
    def grade(self) -> str:
        """The worst grade of all takes."""
        return max((take.grade for take in self.takes), key=GRADES.index, default="good")


def describe_findings(take: TakeFindings) -> dict[str, Any]:
    """Return one take's findings as plain values for JSON; plotted numbers and pictures stay out.

    A figure that was not measured is null.
    """
    return {
        "take": take.take,
        "role": take.role,
        "about": take.about,
        "verdict": take.grade,
        "findings": [
            {
                "check": finding.check,
                "verdict": finding.grade,
                "says": finding.says,
                "remedy": finding.remedy,
                "figures": [
                    {"name": f.name, "value": float(f.value) if math.isfinite(f.value) else None, "unit": f.unit}
                    for f in finding.figures
                ],
                "frames": [[int(first), int(last)] for first, last in finding.frames],
                "boxes": [[round(float(side), 2) for side in box] for box in finding.boxes],
            }
            for finding in take.findings
        ],
    }
