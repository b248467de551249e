"""Lights of their own in the report, and numbers on a floor plan."""

import dataclasses
import itertools

import numpy as np
import pytest

from lightstack.records import LampPlaces, LampView, LightReport, LightWay, LitSet
from lightstack.report import floor_plan
from lightstack.report.lights import plot_way
from lightstack.report.page import make_page


@pytest.fixture
def way():
    """A lamp that goes round and comes by the same place again, so that numbers would lie over each other."""
    turn = np.linspace(0, 4 * np.pi, 60)
    spots = np.stack([0.3 * np.cos(turn), 0.1 * np.sin(turn), 1 + 0.02 * np.sin(3 * turn)], axis=1)
    view = LampView((360, 640), 0.6, 0.8, 1.2)
    lit = LitSet(np.ones((1, 1), bool), *(np.zeros((1, 3)), np.zeros(1), np.zeros((1, 3)), np.zeros(1)), 0.0)
    nothing = np.zeros(60)
    places = LampPlaces(
        np.arange(1, 61), np.full((60, 2), np.nan), spots, nothing, nothing, nothing, True, view, lit
    )
    return LightWay(places, np.arange(1, 61, 2), spots[::2] * 1.02, 1001)


@pytest.mark.parametrize("narrow", [False, True])
def test_no_number_of_a_floor_plan_covers_another(way, monkeypatch, narrow):
    placed = []

    def note(points, sizes, **rest):
        found = floor_plan_place(points, sizes, **rest)
        placed.append((found, rest["within"]))
        return found

    floor_plan_place = floor_plan.place_beside
    monkeypatch.setattr(floor_plan, "place_beside", note)
    assert plot_way(way, narrow=narrow).startswith(b"<svg")
    assert len(placed) == 2  # in the picture, and from above
    for found, (left, bottom, right, top) in placed:
        boxes = [box for box in found if box is not None]
        assert len(boxes) >= 12
        assert all(found[:7])  # a way's own numbers choose first
        for a, b in itertools.combinations(boxes, 2):
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert all(left <= b[0] and bottom <= b[1] and b[2] <= right and b[3] <= top for b in boxes)


def test_lights_of_their_own_have_a_section(make_report, way):
    picture = np.full((20, 40, 3), 90, np.uint8)
    shown = (
        LightReport("door", (("made of", "3 of 9 stills of violet"),), picture=picture),
        LightReport("wisp", (("travels between", "9 of 9 stills of violet"),), way=way),
    )
    report = dataclasses.replace(make_report(), sweeps=(), mixes=(), laid=())
    assert b'id="lights"' not in make_page(report)
    html = make_page(dataclasses.replace(report, lights=shown)).decode()
    section = html[html.index('<section id="lights"') :]
    section = section[: section.index("</section>")]
    assert "3 of 9 stills of violet" in section and "9 of 9 stills of violet" in section
    assert section.count("data:image/jpeg") == 1 and section.count("data:image/svg+xml") == 3  # screen, phone, paper
    assert '<a href="#lights">' in html
