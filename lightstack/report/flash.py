"""The flash check's section of the page."""

from __future__ import annotations

from dataclasses import dataclass

from lightstack.core.flash.rules import RULES
from lightstack.records import FlashReport
from lightstack.report.flash_words import say_flash, say_span
from lightstack.report.markup import PlotView, encode_picture, view_plot
from lightstack.report.phrases import say_count

__all__ = ["FlashView", "view_flash"]


@dataclass(frozen=True, slots=True)
class FlashView:
    """The section in values that the template prints."""

    says: str
    fails: bool
    lines: tuple[str, ...]
    remedies: tuple[str, ...]
    notes: tuple[str, ...]
    plot: PlotView
    places: str | None
    numbers: tuple[tuple[str, str], ...]


def view_flash(report: FlashReport) -> FlashView:
    """Draw a check's plot and pictures and put its figures into words."""
    from lightstack.report.flash_plot import draw_places, plot_flash  # drawing takes long to load

    most = report.table.changes.max(axis=0, initial=0)
    return FlashView(
        says=say_flash(report),
        fails=report.fails,
        lines=tuple(say_span(span, report.frame_word) for span in report.spans),
        remedies=report.remedies,
        notes=(*report.notes, f"shown {report.screen}"),
        plot=view_plot(lambda ground, narrow: plot_flash(report, ground=ground, narrow=narrow)),
        places=encode_picture(draw_places(report.places)) if report.places else None,
        numbers=tuple(
            (f"{rule.title} ({rule.standard})", say_count(int(count), "change"))
            for rule, count in zip(RULES, most, strict=True)
        ),
    )
