"""The checks of a build: the same as an inspection's, in the report and in the manifest."""

import json

import pytest
from made import make_room, write_movie

from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

STILL = {"size": (112, 200), "bump_px": 0.0, "turn_deg": 0.0}
SHOT = """
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
[[sweep]]
name = "violet"
path = "sweep.mkv"
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory, unwatched):
    folder = tmp_path_factory.mktemp("shot")
    write_movie(make_room(6, take="hero", frames=40, lead=10, **STILL), folder / "hero.mkv")
    write_movie(make_room(6, take="empty", frames=30, **STILL), folder / "empty.mkv")
    write_movie(make_room(6, frames=60, lead=14, **STILL), folder / "sweep.mkv")
    (folder / "shot.toml").write_text(SHOT)
    build_shot(folder / "shot.toml", options=BuildOptions(), progress=unwatched)
    return folder / "out"


def read_findings(out):
    return {take["take"]: take for take in json.loads((out / "manifest.json").read_text())["findings"]}


def test_every_take_is_checked(built):
    takes = read_findings(built)
    assert list(takes) == ["hero", "empty", "violet"]
    steady = {"lock-off", "exposure", "focus", "flicker", "timing", "clipping", "noise", "compression"}
    for take in takes.values():
        assert steady <= {finding["check"] for finding in take["findings"]}
    assert {"sweep", "between takes"} <= {finding["check"] for finding in takes["violet"]["findings"]}


def test_a_sweep_is_held_against_the_empty_take_and_the_hero(built):
    told = [f["says"] for f in read_findings(built)["violet"]["findings"] if f["check"] == "between takes"]
    assert len(told) == 2
    assert "against empty: same framing" in told[0]
    assert told[1].startswith("violet against hero: nothing")  # the figure who crosses the hero was not moved


def test_faultless_takes_raise_no_alarm(built):
    told = [(f["check"], f["says"]) for take in read_findings(built).values() for f in take["findings"]]
    bad = [
        f for take in read_findings(built).values() for f in take["findings"] if f["verdict"] in ("usable", "reshoot")
    ]
    assert told and not bad


def test_the_report_shows_them(built):
    page = (built / "report.html").read_text()
    assert 'id="checks"' in page and page.count('class="checks"') == 3
    assert "No flicker" in page


def test_they_are_kept_between_builds(built, unwatched):
    before = read_findings(built)
    (built / "report.html").unlink()
    build_shot(built.parent / "shot.toml", options=BuildOptions(), progress=unwatched)
    assert read_findings(built) == before
