"""What checks of a take found, and what a report draws of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

GRADES = ("good", "usable", "reshoot")
NOT_CHECKED = "not checked"

FrameSpan = tuple[int, int]  # source frames, inclusive


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured number. ``unit``: as printed behind it ("px", "stops", "%", "Hz"); ``digits`` after the point."""

    name: str
    value: float
    unit: str = ""
    digits: int = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check of one take.

    ``check``: its name ("lock-off"). ``grade``: one of ``GRADES``, or ``NOT_CHECKED``. ``says``: one sentence for the
    artist, figures included. ``remedy``: what to do on set, "" where nothing is to be done. ``frames``: source frames
    concerned. ``boxes``: places in pixels of the full picture, (x0, y0, x1, y1).
    """

    check: str
    grade: str
    says: str
    remedy: str = ""
    figures: tuple[Figure, ...] = ()
    frames: tuple[FrameSpan, ...] = ()
    boxes: tuple[tuple[float, float, float, float], ...] = field(default=())

    def __post_init__(self) -> None:
        if self.grade not in (*GRADES, NOT_CHECKED):
            raise ValueError(f"grade {self.grade!r} is none of {', '.join((*GRADES, NOT_CHECKED))}")


@dataclass(frozen=True, slots=True)
class PanelLine:
    """One line of a plot over frames: ``values`` (n,); ``channel`` "R", "G", "B", or "" for none."""

    label: str
    values: NDArray[np.float64]
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Panel:
    """One measured quantity of a take over its frames; ``title`` says its unit."""

    title: str
    lines: tuple[PanelLine, ...]


@dataclass(frozen=True, slots=True)
class PlaceView:
    """One place of a finding, cut out of two pictures of the set: uint8 ``(h, w, 3)``, display-encoded."""

    check: str
    number: int
    here: NDArray[np.uint8]
    there: NDArray[np.uint8] | None = None


@dataclass(frozen=True, slots=True)
class TakeFindings:
    """One take after its checks, with what the report draws of it.

    ``role``: "hero", "empty", "empty_lit", "sweep", "clean" ..., or "take". ``about``: size, frames, rate, codec.
    ``source_frames`` (n,) belong to ``panels``. ``picture``: a bright still, display-encoded, or None.
    """

    take: str
    role: str
    about: str
    findings: tuple[Finding, ...]
    source_frames: NDArray[np.int64]
    panels: tuple[Panel, ...] = ()
    picture: NDArray[np.uint8] | None = None
    full_size: tuple[int, int] | None = None  # (H, W) that boxes count in
    places: tuple[PlaceView, ...] = ()

    @property
    def grade(self) -> str:
        """The worst grade of its checks; what was not checked does not count."""
        return max((f.grade for f in self.findings if f.grade in GRADES), key=GRADES.index, default="good")
