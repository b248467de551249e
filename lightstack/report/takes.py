"""A take's checks as the report shows them, and the page of an inspection."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.records import GRADES, TakeFindings
from lightstack.report.findings import FindingView, draw_boxes, pair_place, plot_panels, view_findings
from lightstack.report.markup import PlotView, encode_picture, make_environment, make_policy, read_asset, view_plot
from lightstack.report.phrases import say_list
from lightstack.report.pictures import shrink_picture
from lightstack.report.words import worst_grade

HEADLINES = {
    "good": "Every take is good.",
    "usable": "Usable; read what was found in",
    "reshoot": "Shoot again while the set stands:",
}
LARGE = 1280


@dataclass(frozen=True, slots=True)
class TakeView:
    """One take's section."""

    take: TakeFindings
    findings: tuple[FindingView, ...]
    picture: str | None
    numbered: bool
    places: tuple[tuple[int, str, str], ...]
    plot: PlotView | None


@dataclass(frozen=True, slots=True)
class Inspection:
    """Everything that inspect.html shows. ``pictures``: (what it is, uint8 (h, w, 3)) at the head of the page."""

    title: str
    kind: str
    takes: tuple[TakeFindings, ...]
    notes: tuple[str, ...] = ()
    pictures: tuple[tuple[str, NDArray[np.uint8]], ...] = ()


def view_take(take: TakeFindings) -> TakeView:
    """Make the section of a take: words, picture with places, plots."""
    picture = draw_boxes(take, LARGE)
    plot = None
    if take.panels and len(take.source_frames) > 1:
        plot = view_plot(lambda g, n: plot_panels(take.source_frames, take.panels, ground=g, narrow=n))
    return TakeView(
        take=take,
        findings=view_findings(take.findings),
        picture=None if picture is None else encode_picture(picture, quality=90),
        numbered=any(finding.boxes for finding in take.findings),
        places=tuple((p.number, p.check, encode_picture(pair_place(p), quality=88)) for p in take.places),
        plot=plot,
    )


def make_inspection(page: Inspection) -> bytes:
    """Make inspect.html: one UTF-8 file without scripts and without any outside address."""
    style, policy = make_policy()
    grade = worst_grade(take.grade for take in page.takes)
    html = make_environment().from_string(read_asset("inspection.html")).render(
        page=page,
        style=style,
        policy=policy,
        grade=grade,
        headline=say_headline(page.takes, grade),
        known_grades=GRADES,
        takes=[view_take(take) for take in page.takes],
        opened=True,
        pictures=[(title, encode_picture(shrink_picture(picture, LARGE))) for title, picture in page.pictures],
    )  # fmt: skip
    return html.encode("utf-8", errors="replace")


def say_headline(takes: Sequence[TakeFindings], grade: str) -> str:
    """Say the worst grade and whose it is."""
    if grade == "good":
        return HEADLINES[grade] if takes else ""
    return f"{HEADLINES[grade]} {say_list([take.take for take in takes if take.grade == grade])}."
