"""The shoot sheet: what it is asked, what it says."""

import math
from fractions import Fraction

import pytest

from lightstack.errors import OutputError, SettingError
from lightstack.jobs.plan import PlanRequest, plan_shoot, read_gel, read_rate, read_request, read_shutter, write_plan


def ask(**words):
    return read_request(**{"rate": "24", "mains": 50, "shutter": None, "gel": "none", "distance_m": 1.0, **words})


def table(plan, title):
    return next(t for t in plan.tables if t.title == title)


@pytest.mark.parametrize(
    "text, exact",
    [("24", 24), ("25", 25), ("24000/1001", Fraction(24000, 1001)), ("23.976", Fraction(24000, 1001)),
     ("29.97", Fraction(30000, 1001)), ("59.94", Fraction(60000, 1001)), ("12.5", Fraction(25, 2))],
)  # fmt: skip
def test_rates_are_exact(text, exact):
    # REFERENCE  SMPTE ST 12-1: the fractional rates are 1000/1001 of the whole ones.
    assert read_rate(text) == exact


def test_shutters_are_read_as_angle_or_time():
    assert read_shutter("172.8", Fraction(24)) == 172.8
    assert read_shutter("1/50", Fraction(24)) == pytest.approx(172.8)
    assert read_shutter("1/24", Fraction(24)) == 360


@pytest.mark.parametrize(
    "words, said",
    [
        ({"rate": "0"}, "--rate 0"),
        ({"rate": "fast"}, "--rate fast"),
        ({"rate": "1/0"}, "--rate 1/0"),
        ({"mains": 55}, "--mains 55"),
        ({"shutter": "400"}, "--shutter 400"),
        ({"shutter": "1/0"}, "--shutter 1/0"),
        ({"shutter": "nan"}, "--shutter nan"),
        ({"shutter": "half"}, "--shutter half"),
        ({"gel": "vilet"}, "the nearest is violet"),
        ({"gel": "1,2"}, "--gel 1,2"),
        ({"gel": "0,0,0"}, "--gel 0,0,0"),
        ({"gel": "nan,1,1"}, "--gel nan,1,1"),
        ({"distance_m": 0.0}, "--lamp-distance 0"),
        ({"distance_m": math.nan}, "--lamp-distance nan"),
    ],
)
def test_a_wrong_option_is_told_in_one_line(words, said):
    with pytest.raises(SettingError) as caught:
        ask(**words)
    assert said in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "rate, mains, angle",
    [("24", 50, 172.8), ("24", 60, 216), ("23.976", 50, 172.627), ("25", 50, 180), ("25", 60, 150), ("30", 60, 180)],
)
def test_the_sheet_chooses_the_clean_shutter_nearest_to_half(rate, mains, angle):
    # REFERENCE  angle = 360 n rate / (2 mains): the exposure lasts whole pulses of the light.
    # TOLERANCE  0.001 degree. 24 frames under 60 Hz: 216 degrees are 0.263 stop away from 180, 144 are 0.322.
    shutter = plan_shoot(ask(rate=rate, mains=mains)).numbers["shutter"]
    assert shutter.angle_deg == pytest.approx(angle, abs=1e-3) and shutter.residual == 0


def test_a_shutter_that_flickers_is_told_with_its_remedy():
    plan = plan_shoot(ask(shutter="180"))
    shown = table(plan, "Shutters without flicker")
    # REFERENCE  |sinc(100 Hz x 1/48 s)| = 0.0395 of the light's own pulsing.
    assert plan.numbers["shutter"].residual == pytest.approx(0.0395, abs=5e-5)
    assert shown.rows[shown.chosen][2].startswith("3.9") or shown.rows[shown.chosen][2].startswith("4")
    assert any("172.8" in note for note in shown.notes) and any("4 Hz" in note for note in shown.notes)


def test_a_rate_without_a_clean_shutter_is_told():
    plan = plan_shoot(ask(rate="120"))
    assert plan.numbers["clean_shutters"] == () and plan.numbers["shutter"].angle_deg == 180
    assert any("no shutter is clean" in note for note in table(plan, "Shutters without flicker").notes)


def test_the_passes_come_in_order_with_their_lengths():
    plan = plan_shoot(ask(rate="25", gel="violet", distance_m=0.3))
    names = [one.name for one in plan.passes]
    for before, after in (
        ("Hero", "Empty, lamps out"),
        ("Empty, lamps out", "Empty, the hero's lamps on"),
        ("Empty, the hero's lamps on", "Sweep: the lamp behind violet gel round the room"),
        ("Sweep, the other way round", "Each fixed lamp, on and off"),
        ("Prop passes", "Grey card at the effect's place"),
        ("Grey card at the effect's place", "Matt ball and mirror ball at the effect's place"),
    ):
        assert names.index(before) < names.index(after)
    assert [one.number for one in plan.passes] == list(range(1, len(names) + 1))
    assert all(one.frames == round(25 * one.least_seconds) for one in plan.passes)
    assert any("0.3 m/s" in line for line in plan.passes[3].lines)


def test_the_gel_is_shown_alone_or_all_of_them():
    assert len(table(plan_shoot(ask(gel="red")), "Exposure below clipping").rows) == 1
    assert len(table(plan_shoot(ask()), "Exposure below clipping").rows) > 8
    assert read_gel("1,0.4,0") == ("1,0.4,0", (1.0, 0.4, 0.0))


@pytest.mark.parametrize(
    "words",
    [["LED"], ["scorch", "air gap"], ["full light"], ["trailing cable"], ["spotter"], ["ladder"], ["eyes"],
     ["batteries"], ["photosensitive"], ["codes", "licensed electrician"]],
)  # fmt: skip
def test_what_can_hurt_is_on_the_sheet(words):
    cautions = plan_shoot(PlanRequest()).cautions
    assert any(all(word in line for word in words) for line in cautions)
    assert "licensed electrician" in cautions[0]


def test_the_page_stands_alone_and_is_the_same_every_time(tmp_path):
    plan = plan_shoot(ask(gel="amber"))
    write_plan(plan, tmp_path / "a.html")
    write_plan(plan, tmp_path / "b.html")
    page = (tmp_path / "a.html").read_text()
    assert page == (tmp_path / "b.html").read_text()
    for outside in ("http:", "https:", "<script", "src=", "url("):
        assert outside not in page
    for text in (*(one.name for one in plan.passes), "172.8", "Lock before the first pass"):
        assert text.replace("'", "&#39;") in page


def test_a_page_that_cannot_be_written(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_plan(plan_shoot(ask()), tmp_path / "no/such/folder.html")
    with pytest.raises(OutputError, match="is a folder"):
        write_plan(plan_shoot(ask()), tmp_path)
