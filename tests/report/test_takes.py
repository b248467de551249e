"""The page of an inspection: everything stands in it, nothing is fetched, words are escaped."""

import re
from html import unescape
from html.parser import HTMLParser

import numpy as np

from lightstack.records import Figure, Finding, Panel, PanelLine, PlaceView, TakeFindings
from lightstack.report.takes import Inspection, make_inspection, say_headline

PICTURE = np.full((90, 160, 3), 80, np.uint8)


def make_take(name="hero.mov", grade="good", remedy=""):
    findings = (
        Finding("lock-off", grade, "It moved & <swayed>.", remedy, (Figure("shift", 1.5, "px"),), ((3, 9),)),
        Finding("flicker", "not checked", "Too short."),
    )
    return TakeFindings(
        name,
        "hero",
        "1920 x 1080, 48 frames",
        findings,
        np.arange(1, 49),
        (Panel("camera (px)", (PanelLine("", np.zeros(48)),)),),
        PICTURE,
        (180, 320),
        (PlaceView("between takes", 1, PICTURE, PICTURE),),
    )


def read(page):
    return make_inspection(page).decode()


def test_the_page_says_what_was_found_and_what_to_do():
    html = read(Inspection("three takes", "inspection", (make_take(grade="usable", remedy="Weigh it down."),)))
    for words in ("three takes", "hero.mov", "1920 x 1080", "lock-off", "Weigh it down.", "1.5 px", "frames 3\u20139"):
        assert words in html
    assert "It moved &amp; &lt;swayed&gt;." in html
    assert html.count('class="grade usable"') >= 2


def test_the_page_fetches_nothing():
    html = read(Inspection("t", "inspection", (make_take(),), ("a note",), (("Rough plate", PICTURE),)))
    addresses = re.findall(r'(?:src|srcset|href)="([^"]*)"', html)
    assert addresses and all(a.startswith(("data:", "#")) for a in addresses)
    assert "<script" not in html and "default-src 'none'" in unescape(html)


def test_the_page_is_well_formed():
    class Checker(HTMLParser):
        def __init__(self):
            super().__init__()
            self.open = []

        def handle_starttag(self, tag, attrs):
            if tag not in ("meta", "img", "source", "link", "br"):
                self.open.append(tag)

        def handle_endtag(self, tag):
            assert self.open.pop() == tag

    checker = Checker()
    checker.feed(read(Inspection("t", "inspection", (make_take(), make_take("b", "reshoot", "Again.")))))
    assert not checker.open


def test_the_headline_names_whose_the_worst_grade_is():
    takes = (make_take("a", "reshoot"), make_take("b"), make_take("c", "reshoot"))
    assert say_headline(takes, "reshoot").endswith("a and c.")
    assert say_headline(takes[1:2], "good") == "Every take is good."


def test_the_same_inspection_gives_the_same_bytes():
    page = Inspection("t", "inspection", (make_take(),))
    assert make_inspection(page) == make_inspection(page)
