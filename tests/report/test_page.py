import base64
import dataclasses
import hashlib
import io
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from lightstack.records import HoldoutReport, PatchReport, Verdict
from lightstack.report.page import make_page

VOID = {"meta", "img", "input", "source", "br", "hr", "link"}


class Page(HTMLParser):
    """Reads a page strictly: every element must be closed in its order."""

    def __init__(self, html: bytes) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(html.decode("utf-8"))
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), names
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"[ \n]+", " ", " ".join(self.words))

    def all(self, tag: str) -> list[dict]:
        return [attrs for name, attrs in self.tags if name == tag]


def decode_picture(address: str) -> np.ndarray:
    head, _, body = address.partition(",")
    assert head == "data:image/jpeg;base64"
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(body))))


@pytest.fixture(scope="module")
def report(make_report):
    return make_report()


@pytest.fixture(scope="module")
def html(report):
    return make_page(report)


@pytest.fixture(scope="module")
def bare(report):
    """The report without anything to draw: fast."""
    return dataclasses.replace(report, sweeps=(), mixes=(), laid=())


def test_the_page_is_well_formed_and_names_itself(html):
    page = Page(html)
    assert html.startswith(b"<!DOCTYPE html>")
    assert page.all("html") == [{"lang": "en"}]
    assert "attic_020" in page.text
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for link in page.all("a"):
        assert link["href"].removeprefix("#") in ids
    for label in page.all("label"):
        assert label["for"] in ids
    for _, attrs in page.tags:
        for pointer in ("aria-labelledby",):
            assert attrs.get(pointer, ids[0]) in ids


def test_the_sections_come_in_the_order_in_which_they_are_listed(make_report):
    section = HoldoutReport((), (), ())
    patch = PatchReport("stand", (), ())
    report = dataclasses.replace(make_report(), patches=(patch,), holdout=section, shows_frames=True)
    html = make_page(report).decode()
    nav = html[html.index("<nav") : html.index("</nav>")]
    listed = re.findall(r'href="#([^"]+)"', nav)
    assert {"patches", "holdout", "mix", "laid", "flash"} < set(listed)
    assert sorted(listed, key=lambda name: html.index(f'id="{name}"')) == listed


def test_nothing_comes_from_outside_and_nothing_runs(html):
    page = Page(html)
    for _, attrs in page.tags:
        for name in ("src", "srcset", "poster", "data", "action"):
            assert attrs.get(name, "data:").startswith("data:")
        assert attrs.get("href", "#").startswith("#")
        assert not [name for name in attrs if name.startswith("on") or name == "style"]
    assert not {"script", "link", "iframe", "object", "form", "base"} & {tag for tag, _ in page.tags}
    bare = re.sub(rb"base64,[A-Za-z0-9+/=]+", b"", html)
    assert b"://" not in bare
    assert b"url(" not in bare
    assert b"@import" not in bare


def test_the_policy_allows_this_style_sheet_and_no_other(html):
    html = html.decode()
    policy = next(m["content"] for m in Page(html.encode()).all("meta") if "http-equiv" in m)
    style = re.search(r"<style>(.*?)</style>", html, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert "default-src 'none'" in policy
    assert f"style-src 'sha256-{digest}'" in policy
    assert "script-src" not in policy
    assert "unsafe" not in policy


NASTY = "<script>alert('x')</script>\u2028\u2029\"' onerror=x & $\\alpha$ {{ 7*7 }}"


def test_names_are_escaped_everywhere(make_report):
    report = make_report(name=NASTY)
    report = dataclasses.replace(
        report,
        shot=NASTY,
        version=NASTY,
        verdicts=(Verdict(NASTY, "reshoot", (NASTY,)), Verdict("b", NASTY, ())),
        warnings=(NASTY,),
        cautions=(NASTY,),
        settings=((NASTY, NASTY),),
        files=((NASTY, NASTY),),
    )
    html = make_page(report)
    page = Page(html)
    assert b"<script" not in html
    assert not page.all("script")
    assert not [a for _, a in page.tags if "onerror" in a]
    assert page.text.count(NASTY) >= 10


def test_names_that_are_no_text_do_not_break_the_page(bare):
    odd = "a\udcffb\x00c\x1bd\u202ee"
    html = make_page(dataclasses.replace(bare, shot=odd, files=((odd, odd),)))
    assert not set(range(9)) & set(html)
    assert b"\x1b" not in html
    assert Page(html).text


def test_every_number_stands_on_the_page(report, html):
    text = Page(html).text
    sweep = report.sweeps[0]
    for label, value in sweep.numbers + report.settings + report.files:
        assert label in text
        assert value in text
    for key in sweep.keys:
        assert key.timecode in text
        assert re.search(rf"\b{key.source_frame}\b", text)
    for piece in (
        "99.5\u202f%",
        "12 key frames",
        "0.21\u202f%",
        "\u22120.25 stops",
        "40\u202f%",
        "bottom left, 1.1\u202f%",
    ):
        assert piece in text
    for sentence in (*report.warnings, *report.cautions, *(s for v in report.verdicts for s in v.sentences)):
        assert sentence in text
    for frame in report.laid:
        assert str(frame.shot_frame) in text
    for piece in ("1001\u20131096", "1012\u20131090", "frame 1031, gain 1"):
        assert piece in text


def test_warnings_stand_before_everything_that_shows(report, bare, html):
    html = html.decode()
    assert html.index(report.warnings[0]) < html.index("data:image")
    assert html.index('id="warnings"') < html.index("<main")
    assert "No warnings" in Page(make_page(dataclasses.replace(bare, warnings=()))).text


def test_the_pictures_are_the_pictures(report, html):
    # TOLERANCE  JPEG at quality 93, 4:4:4: mean error under 2 codes on smooth pictures, 6 on noise.
    page, shown = Page(html), report.sweeps[0].pictures
    found = {img["alt"]: img["src"] for img in page.all("img")}
    for alt, picture, limit in (
        ("Relight plate of sweep violet", shown.plate, 2),
        ("Naive stack of sweep violet", shown.naive, 6),
        (f"Hero frame {report.laid[2].shot_frame} with the light laid", report.laid[2].after, 2),
    ):
        apart = np.abs(decode_picture(found[alt]).astype(float) - picture)
        assert apart.mean() < limit
    assert len([alt for alt in found if alt.startswith("Key frame")]) == len(report.sweeps[0].keys)


def test_plots_come_for_screen_phone_and_paper(html):
    page = Page(html)
    plots = [a.get("src") or a["srcset"] for t, a in page.tags if t in ("img", "source")]
    plots = [p for p in plots if p.startswith("data:image/svg+xml;base64,")]
    assert len(plots) == 3 * 3  # energy, frames, mix
    assert len(set(plots)) == 9
    for plot in plots:
        assert ET.fromstring(base64.b64decode(plot.partition(",")[2])).tag.endswith("svg")


def test_every_picture_says_what_it_shows(html):
    for img in Page(html).all("img"):
        assert img["alt"] or "on-paper" in img["class"]


def test_the_same_report_gives_the_same_bytes(make_report, html):
    assert make_page(make_report()) == html


def test_a_bare_report_is_a_page(bare):
    page = Page(make_page(dataclasses.replace(bare, verdicts=(), settings=(), files=(), cautions=())))
    assert not page.all("img")
    assert "no sweeps" in page.text


def test_missing_thumbnails_and_no_holes(make_report):
    report = make_report(evened=False)
    sweep = report.sweeps[0]
    pictures = dataclasses.replace(
        sweep.pictures, thumbnails=sweep.pictures.thumbnails[:3], thumbnail_blocked=(), holes=()
    )
    page = Page(
        make_page(dataclasses.replace(report, sweeps=(dataclasses.replace(sweep, pictures=pictures),)))
    )
    assert page.text.count("no picture") == len(sweep.keys) - 3
    assert "No place of any size was left dark." in page.text


def test_the_worst_take_is_named_at_the_top(bare):
    assert "read the notes on sweep_violet." in Page(make_page(bare)).text
    good = dataclasses.replace(bare, verdicts=(Verdict("hero", "good", ()),))
    assert "Every take is good." in Page(make_page(good)).text


def test_two_sweeps_keep_their_controls_apart(report):
    page = Page(make_page(dataclasses.replace(report, sweeps=report.sweeps * 2)))
    names = {box["name"] for box in page.all("input")}
    assert names == {"sweep-1-plate", "sweep-1-even", "sweep-2-plate", "sweep-2-even"}


def test_large_pictures_are_shrunk(make_report):
    report = make_report(height=100, width=2000, key_count=1, evened=False)
    page = Page(make_page(report))
    plate = next(i["src"] for i in page.all("img") if i["alt"].startswith("Relight plate"))
    assert decode_picture(plate).shape == (96, 1920, 3)


# --- colours ---------------------------------------------------------------------------------------


def relative_luminance(colour: str) -> float:
    # REFERENCE  WCAG 2.2, definition of relative luminance (the sRGB curve and the rounded BT.709 weights).
    digits = colour.removeprefix("#")
    digits = "".join(c * 2 for c in digits) if len(digits) == 3 else digits
    value = np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def contrast(a: str, b: str) -> float:
    high, low = sorted((relative_luminance(a), relative_luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_arithmetic():
    # REFERENCE  #767676 on white is the palest grey that passes 4.5:1 (common knowledge of the trade: 4.54).
    # TOLERANCE  0.005, the figure as quoted.
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#000", "#fff") == pytest.approx(21)


@pytest.mark.parametrize("medium", ["screen", "print"])
def test_every_text_colour_is_readable(html, medium):
    # REFERENCE  WCAG 2.2, success criterion 1.4.3: 4.5:1 for text; 1.4.11: 3:1 for focus marks.
    html = html.decode()
    roots = re.findall(r":root \{(.*?)\}", html, re.DOTALL)
    colours: dict[str, str] = {}
    for block in roots[: 1 if medium == "screen" else 2]:
        colours |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})\b", block))
    grounds = [colours[name] for name in ("ground", "raised", "sheet")]
    for ground in grounds:
        for ink in ("ink", "soft", "focus"):
            assert contrast(colours[ink], ground) >= 4.5, (ink, ground)
    for tape in ("tape", "good", "usable", "reshoot"):
        assert contrast(colours["tape-ink"], colours[tape]) >= 4.5
    if medium == "screen":
        for ink in ("usable", "good"):
            assert contrast(colours[ink], colours["raised"]) >= 4.5
