from dataclasses import replace

import numpy as np
import pytest
from framing_helpers import figure, proxy_of
from made import faults_framing, make_room

from lightstack.core.check.sweep_quality import SweepScore, check_sweep, measure_cover, rank_sweeps, tell_rank
from lightstack.core.sweep.survey import survey_sweep
from lightstack.records import FrameTable


def table(count=100, lit=80, **columns):
    on = np.arange(count) >= count - lit
    usual = {
        "smear_px": np.where(on, 1.5, np.nan),
        "flare": np.zeros(count),
        "clipped": np.zeros((count, 3)),
        "drift_stops": np.zeros((count, 3)),
    }
    names = ("lamp_energy", "lamp_sigma", "change_sigma", "sharpness", "blocked", "shift_px", "weight")
    rest = {name: np.ones(count) for name in names}
    return FrameTable(
        source_frames=np.arange(1, count + 1),
        seconds=np.arange(count) / 24,
        lamp_on=on,
        stretch=np.where(on, 0, -1),
        **{**rest, **usual, **columns},
    )


def find(findings, word):
    return next(one for one in findings if word in one.says)


def test_a_slow_sweep_that_reaches_all_is_good():
    found = check_sweep(table(), reach=np.ones((90, 160), bool), coverage=0.996, key_count=20, size=(1080, 1920))
    assert [one.grade for one in found] == ["good"] * 4
    assert all(one.remedy == "" for one in found)


def test_a_lamp_that_is_never_on_is_to_be_shot_again():
    (finding,) = check_sweep(table(lit=0))
    assert finding.grade == "reshoot"


def test_dark_places_are_named_and_boxed():
    reach = np.ones((90, 160), bool)
    reach[70:, :40] = False
    finding = find(check_sweep(table(), reach=reach, size=(1080, 1920)), "reached")
    assert finding.grade == "usable"
    assert figure(finding, "reached") == pytest.approx(100 * (1 - 20 * 40 / 14400))
    assert "bottom left" in finding.says
    ((x0, y0, x1, y1),) = finding.boxes
    assert 0 <= x0 < x1 <= 40 * 12
    assert 70 * 12 - 100 < y0 < y1 <= 1080
    reach[:, :100] = False
    assert find(check_sweep(table(), reach=reach), "reached").grade == "reshoot"


def test_a_fast_sweep_is_told_by_its_smear():
    # 20 px a frame at 180 degrees smear by 10 px, at 90 degrees by 5 px
    fast = table(smear_px=np.full(100, 10.0))
    finding = find(check_sweep(fast), "edges move")
    assert figure(finding, "smear") == pytest.approx(10)
    assert finding.grade == "usable"
    assert "2.5 times slower" in finding.remedy
    shorter = find(check_sweep(fast, shutter_deg=90), "edges move")
    assert figure(shorter, "smear") == pytest.approx(5)
    assert figure(shorter, "speed of the light's edges") == pytest.approx(20)
    assert find(check_sweep(table(smear_px=np.full(100, 30.0))), "edges move").grade == "reshoot"
    assert find(check_sweep(table(smear_px=np.full(100, np.nan))), "no edges").grade == "not checked"


def test_flare_is_told_with_its_frames():
    flare = np.zeros(100)
    flare[60:75] = 0.3
    finding = find(check_sweep(table(flare=flare)), "into the lens")
    assert finding.grade == "usable"
    assert finding.frames == ((61, 75),)
    few = np.zeros(100)
    few[60:63] = 0.3
    assert find(check_sweep(table(flare=few)), "hardly flares").grade == "good"


def covers():
    """A carrier 20 px wide walks to the right through 100 frames and rests at 100 to 120 for 30 of them."""
    for k in range(100):
        x = min(2 * k, 100) if k < 80 else 2 * k - 60
        mask = np.zeros((90, 160), bool)
        mask[30:, x : x + 20] = True
        yield mask


def test_cover_is_timed_where_it_lasted_longest():
    cover = measure_cover(covers(), np.ones(100, bool), seconds=np.arange(100) / 24, factor=12)
    assert cover.share.shape == (90, 160)
    # its right edge is reached at frame 50, where the carrier stops, and left at frame 90
    assert cover.longest_seconds == pytest.approx(40 / 24, abs=1 / 24)
    assert 100 * 12 <= cover.x <= 120 * 12
    assert cover.never == 0
    finding = find(check_sweep(table(), cover=cover), "covers")
    assert finding.grade == "good"
    assert cover.where == "centre"


def test_unlit_frames_do_not_count_as_cover():
    lit = np.arange(100) < 5
    cover = measure_cover(covers(), lit, seconds=np.arange(100) / 24, factor=1)
    assert cover.longest_seconds <= 5 / 24 + 1e-6
    assert cover.never > 0
    finding = find(check_sweep(table(), cover=cover), "covers")
    assert finding.grade == "usable"
    assert finding.remedy
    nobody = measure_cover(covers(), np.zeros(100, bool), seconds=np.arange(100) / 24, factor=1)
    assert nobody.never == 0


def test_sweeps_are_ranked_and_paired():
    left, right, poor = (np.zeros((90, 160), bool) for _ in range(3))
    left[:, :120], right[:, 70:], poor[:, 30:60] = True, True, True
    rank = rank_sweeps([SweepScore("poor", poor), SweepScore("right", right), SweepScore("left", left)])
    assert rank.order == ("left", "right", "poor")
    assert rank.together == ("left", "right")
    assert rank.together_share == 1
    told = tell_rank(rank)
    assert told.grade == "good"
    assert "left and right together reach 100.0 %" in told.says


def test_a_second_sweep_that_adds_nothing_is_not_named():
    whole = np.ones((20, 30), bool)
    whole[15:, 20:] = False
    rank = rank_sweeps([SweepScore("b", whole), SweepScore("a", whole, coverage=0.99)])
    assert rank.order == ("a", "b")
    assert rank.together == ("a",)
    told = tell_rank(rank)
    assert "no second sweep" in told.says
    assert "bottom right" in told.remedy


def test_a_bad_grade_outranks_reach():
    reach = np.ones((20, 30), bool)
    part = reach.copy()
    part[:, 28:] = False
    assert rank_sweeps([SweepScore("wide", reach, grade="reshoot"), SweepScore("sound", part)]).order[0] == "sound"


def test_what_is_not_given_is_left_out():
    assert len(check_sweep(table())) == 2
    assert len(check_sweep(replace(table()), coverage=0.5)) == 3


@pytest.mark.parametrize(("veil", "grade"), [(0.0, "good"), (0.05, "usable")])
def test_a_lamp_that_shines_into_the_lens_is_found_in_a_filmed_sweep(veil, grade):
    room = make_room(1, size=(112, 200), frames=60, lead=10)
    take = faults_framing.lamp_into_lens(room, veil=veil, from_frame=15, to_frame=40)
    flags = ((take.rgb >= 0.985) * np.array([1, 2, 4])).sum(-1).astype(np.uint8)
    proxies = replace(proxy_of(take, factor=1), clipped=flags)
    finding = check_sweep(survey_sweep(proxies, room.ambient, lamp_off=~room.lamp_on))[-1]
    assert finding.grade == grade
    told = np.zeros(61, bool)
    for first, last in finding.frames:
        told[first : last + 1] = True
    # a frame or two in which the lamp is cut by the picture's edge may go unnoticed
    assert np.sum(told[1:] != (take.truth["veiled"] if veil else False)) <= 2


def test_what_a_quick_look_passed_over_condemns_nothing():
    reach = np.zeros((90, 160), bool)
    reach[:, 100:] = True
    whole = find(check_sweep(table(), reach=reach), "reached")
    dense = find(check_sweep(table(), reach=reach, gap_seconds=1.0), "reached")
    sparse = find(check_sweep(table(), reach=reach, gap_seconds=9.5), "reached")
    assert whole.grade == dense.grade == "reshoot" and dense.says == whole.says
    assert sparse.grade == "usable"
    assert "9.5 s" in sparse.says and "without --quick" in sparse.remedy
    assert find(check_sweep(table(), reach=reach | True, gap_seconds=9.5), "reached").grade == "good"
