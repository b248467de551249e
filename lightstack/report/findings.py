"""Findings for people: the inspection's page, the part of a build's report about the takes, plots over frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from lightstack.records import Figure, Finding, Panel, PlaceView, TakeFindings
from lightstack.report.looks import Ground, dress_axes, number_frames, place_axes, render_figure
from lightstack.report.panels import draw_panel
from lightstack.report.phrases import NARROW_SPACE, say_list, say_number
from lightstack.report.pictures import SIGNAL, TAPE, TAPE_INK, load_font, shrink_picture

if TYPE_CHECKING:  # matplotlib takes long to load, and only drawing needs it
    from matplotlib.figure import Figure as Sheet

PANEL_INCHES = 1.05
DASHES = {"R": "-", "G": "--", "B": ":"}
MOST_SPANS = 6


@dataclass(frozen=True, slots=True)
class FindingView:
    """One finding in words: figures as (name, value with unit), frames as one phrase, numbers of its places."""

    finding: Finding
    figures: tuple[tuple[str, str], ...]
    frames: str
    places: str


def view_finding(finding: Finding, first_place: int = 1) -> FindingView:
    """Put a finding's figures, frames and places into words; places are numbered from ``first_place``."""
    numbers = [str(first_place + k) for k in range(len(finding.boxes))]
    return FindingView(
        finding,
        tuple((figure.name, say_figure(figure)) for figure in finding.figures),
        say_spans(finding),
        f"{'place' if len(numbers) == 1 else 'places'} {say_list(numbers)}" if numbers else "",
    )


def say_figure(figure: Figure) -> str:
    """Write a figure with its unit."""
    unit = figure.unit
    space = NARROW_SPACE if unit == "%" else " "
    known = np.isfinite(figure.value)
    return say_number(figure.value, figure.digits) + (f"{space}{unit}" if unit and known else "")


def say_spans(finding: Finding) -> str:
    """Write the source frames that a finding concerns: "frames 12–18 and 40"; "" for none."""
    spans = [f"{a}" if a == b else f"{a}\u2013{b}" for a, b in finding.frames]
    if not spans:
        return ""
    rest = [f"{len(spans) - MOST_SPANS} more runs"] if len(spans) > MOST_SPANS else []
    one = len(spans) == 1 and finding.frames[0][0] == finding.frames[0][1]
    return f"{'frame' if one else 'frames'} {say_list([*spans[:MOST_SPANS], *rest])}"


def view_findings(findings: Sequence[Finding]) -> tuple[FindingView, ...]:
    """Put all findings of a take into words; their places are numbered through."""
    views, number = [], 1
    for finding in findings:
        views.append(view_finding(finding, number))
        number += len(finding.boxes)
    return tuple(views)


def draw_boxes(take: TakeFindings, longest: int = 1280) -> NDArray[np.uint8] | None:
    """Draw a take's bright still with every place of its findings framed and numbered; None without a picture."""
    if take.picture is None:
        return None
    picture = np.ascontiguousarray(shrink_picture(take.picture, longest).copy())
    boxes = [box for finding in take.findings for box in finding.boxes]
    if not boxes:
        return picture
    height, width = picture.shape[:2]
    full = take.full_size or (height, width)
    line = max(2, round(width / 320))
    corners = []
    for x0, y0, x1, y1 in boxes:
        a = (round(x0 * width / full[1]), round(y0 * height / full[0]))
        b = (round(x1 * width / full[1]), round(y1 * height / full[0]))
        cv2.rectangle(picture, a, b, (0, 0, 0), line + 3, cv2.LINE_AA)
        cv2.rectangle(picture, a, b, SIGNAL, line, cv2.LINE_AA)
        corners.append(a)
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    font = load_font(max(10, round(width * 0.026)))
    for number, (x, y) in enumerate(corners, start=1):
        wide = pen.textlength(str(number), font=font) + font.size * 0.6
        left, top = min(max(x, 0), width - wide), min(max(y - font.size * 1.2, 0), height - font.size * 1.2)
        pen.rectangle((left, top, left + wide, top + font.size * 1.2), fill=TAPE)
        pen.text((left + wide / 2, top + font.size * 0.6), str(number), TAPE_INK, font=font, anchor="mm")
    return np.asarray(image, np.uint8)


def pair_place(place: PlaceView, height: int = 220) -> NDArray[np.uint8]:
    """Set the two cut-outs of a place side by side at one height."""
    shown = [place.here] if place.there is None else [place.here, place.there]
    cells = []
    for picture in shown:
        width = max(1, round(picture.shape[1] * height / picture.shape[0]))
        cells.append(np.asarray(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA), np.uint8))
    seam = np.full((height, 6, 3), 11, np.uint8)
    return np.concatenate([cells[0]] if len(cells) == 1 else [cells[0], seam, cells[1]], axis=1)


def plot_panels(
    source_frames: NDArray[np.int64],
    panels: Sequence[Panel],
    *,
    form: str = "svg",
    ground: str = "dark",
    narrow: bool = False,
) -> bytes:
    """Plot what was measured over a take's frames, one panel under the other.

    ``form``: "svg" or "png". A panel of which nothing was measured says so.
    """

    def draw(sheet: Sheet, look: Ground) -> None:
        box, _ = place_axes(sheet, left=54, right=12, bottom=44, top=26)
        step = box[3] / len(panels)
        for index, panel in enumerate(panels):
            axes = sheet.add_axes((box[0], box[1] + box[3] - (index + 1) * step, box[2], step * 0.66))
            dress_axes(axes, look)
            number_frames(axes, source_frames, labels=index == len(panels) - 1)
            lines = [
                (line.label, np.asarray(line.values, float), line.channel or None, DASHES.get(line.channel, "-"))
                for line in panel.lines
            ]
            draw_panel(axes, panel.title, lines, (), look)
        axes.set_xlabel("source frame", color=look.soft)

    height = 0.97 + PANEL_INCHES * len(panels)
    return render_figure(draw, form, ground, (4.1, height) if narrow else (12.0, height))
