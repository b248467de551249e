"""Lights that are more than their sweep's plate: their own plates, and their ways over the floor plan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lightstack.core.lamp.view import show_in_picture
from lightstack.records import LightReport, LightWay
from lightstack.report.markup import PlotView, encode_picture, view_plot

__all__ = ["LightView", "plot_way", "view_light"]

NUMBERED = 7  # frames of a way


@dataclass(frozen=True, slots=True)
class LightView:
    """The section's values that the template prints."""

    name: str
    numbers: tuple[tuple[str, str], ...]
    picture: str | None
    way: PlotView | None


def view_light(report: LightReport) -> LightView:
    """Encode a light's plate, or draw its way."""
    way = report.way
    return LightView(
        report.name,
        report.numbers,
        None if report.picture is None else encode_picture(report.picture),
        None if way is None else view_plot(lambda g, n: plot_way(way, ground=g, narrow=n)),
    )


def plot_way(way: LightWay, *, form: str = "svg", ground: str = "dark", narrow: bool = False) -> bytes:
    """Draw a light's way over the floor plan, some of its frames numbered."""
    from lightstack.report.floor_plan import plot_floor_plan  # drawing takes long to load

    count = len(way.path)
    rows = np.unique(np.linspace(0, count - 1, min(NUMBERED, count)).astype(int))
    return plot_floor_plan(
        way.places,
        way.stills,
        path=show_in_picture(way.path, way.places.view),
        path_map=way.path,
        marks=[(int(row), way.first_frame + int(row)) for row in rows],
        form=form,
        ground=ground,
        narrow=narrow,
    )
