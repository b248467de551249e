"""Findings in words, boxes on the still, and panels over the frames."""

import numpy as np
import pytest

from lightstack.records import Figure, Finding, Panel, PanelLine, PlaceView, TakeFindings
from lightstack.report.findings import draw_boxes, pair_place, plot_panels, say_figure, say_spans, view_findings
from lightstack.report.pictures import SIGNAL

FINDING = Finding("lock-off", "usable", "It moved.", "Weigh it down.", (Figure("shift", 2.5, "px"),), ((12, 18),))


@pytest.mark.parametrize(
    "figure, said",
    [
        (Figure("shift", 2.5, "px"), "2.5 px"),
        (Figure("share", 12.345, "%", 1), "12.3\u202f%"),
        (Figure("count", 3, "", 0), "3"),
        (Figure("unknown", float("nan"), "px"), "not measured"),
        (Figure("below", -0.5, "stops"), "\u22120.5 stops"),
    ],
)
def test_figures_have_their_units(figure, said):
    assert say_figure(figure) == said


@pytest.mark.parametrize(
    "frames, said",
    [
        ((), ""),
        (((7, 7),), "frame 7"),
        (((7, 9),), "frames 7\u20139"),
        (((1, 1), (5, 8)), "frames 1 and 5\u20138"),
        (tuple((k, k) for k in range(1, 10)), "frames 1, 2, 3, 4, 5, 6 and 3 more runs"),
    ],
)
def test_frames_are_said_as_runs(frames, said):
    assert say_spans(Finding("x", "good", "", frames=frames)) == said


def test_places_are_numbered_through_a_take():
    two = Finding("a", "usable", "", boxes=((0, 0, 1, 1), (2, 2, 3, 3)))
    one = Finding("b", "usable", "", boxes=((4, 4, 5, 5),))
    assert [view.places for view in view_findings([two, FINDING, one])] == ["places 1 and 2", "", "place 3"]


def test_boxes_lie_where_the_finding_says():
    box = Finding("between takes", "usable", "", boxes=((100, 50, 200, 150),))
    picture = np.full((180, 320, 3), 90, np.uint8)
    take = TakeFindings("t", "hero", "", (box,), np.arange(3), picture=picture, full_size=(360, 640))
    drawn = draw_boxes(take)
    lit = np.all(drawn == SIGNAL, axis=2)
    rows, columns = np.flatnonzero(lit.any(axis=1)), np.flatnonzero(lit.any(axis=0))
    assert abs(columns.min() - 50) <= 2 and abs(columns.max() - 100) <= 2
    assert abs(rows.max() - 75) <= 2
    assert (picture == 90).all()  # the take's own picture stays


def test_a_take_without_a_picture_has_none():
    assert draw_boxes(TakeFindings("t", "hero", "", (FINDING,), np.arange(3))) is None


def test_a_place_is_shown_beside_the_other_take():
    here, there = np.zeros((40, 60, 3), np.uint8), np.full((40, 60, 3), 255, np.uint8)
    pair = pair_place(PlaceView("between takes", 1, here, there), height=80)
    assert pair.shape == (80, 2 * 120 + 6, 3)
    assert pair[40, 10, 0] == 0 and pair[40, -10, 0] == 255
    assert pair_place(PlaceView("x", 1, here), height=80).shape == (80, 120, 3)


def test_panels_give_the_same_bytes_and_grow_with_their_number():
    frames = np.arange(1, 51)
    line = PanelLine("", np.linspace(0, 1, 50))
    colours = tuple(PanelLine(c, np.full(50, k), c) for k, c in enumerate("RGB"))
    panels = (Panel("shift (px)", (line,)), Panel("drift (stops)", colours))
    assert plot_panels(frames, panels) == plot_panels(frames, panels)
    assert plot_panels(frames, panels, form="png").startswith(b"\x89PNG")
    assert b"<svg" in plot_panels(frames, panels[:1], narrow=True)
