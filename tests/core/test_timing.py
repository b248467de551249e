"""Timing: uneven rates, repeated and missing frames, timecode."""

from fractions import Fraction

import numpy as np
import pytest
from core_helpers import make_proxies, read_figures
from made import make_room
from made.faults import Faults, FaultyTake, repeat_and_drop

from lightstack.core.check.skips import gather_moving
from lightstack.core.check.timing import check_timing, find_near_repeats, measure_timing

STEADY = np.arange(120) / 24
NONE = np.zeros(120, bool)


def check(seconds=STEADY, duplicate=NONE, **options):
    return check_timing(seconds, duplicate, **{"rate": Fraction(24), **options})


def test_a_steady_take_is_good():
    finding = check()
    assert finding.grade == "good"
    assert read_figures(finding)["frame rate"] == pytest.approx(24)


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), Fraction(60)])
@pytest.mark.parametrize("tick", [Fraction(1, 1000), Fraction(1, 90000), Fraction(1, 12800)])
def test_time_stamps_rounded_by_the_container_are_steady(rate, tick):
    seconds = np.array([float(round(k / rate / tick) * tick) for k in range(400)])
    assert check_timing(seconds, np.zeros(400, bool), rate=rate).grade == "good"


def test_lost_frames_are_counted_from_the_gaps():
    seconds = np.delete(np.arange(126) / 24, [30, 31, 60, 90, 91, 92])
    finding = check(seconds)
    figures = read_figures(finding)
    assert figures["lost frames"] == 6
    assert figures["uneven steps"] == 0
    assert finding.frames == ((31, 31), (59, 59), (88, 88))
    assert finding.grade == "reshoot"
    assert check(seconds, timed=False).grade == "usable"
    assert "3 places" in finding.says


def test_a_rate_that_varies_is_no_loss_of_frames():
    rng = np.random.default_rng(1)
    seconds = np.cumsum(rng.uniform(0.028, 0.045, 300))
    finding = check_timing(seconds, np.zeros(300, bool), rate=Fraction(30))
    assert finding.grade == "usable"
    assert read_figures(finding)["lost frames"] == 0
    assert read_figures(finding)["uneven steps"] > 50
    assert "varies" in finding.says
    assert "constant" in finding.remedy


def test_time_that_goes_back_is_said():
    seconds = STEADY.copy()
    seconds[50:] -= 1.0
    finding = check(seconds)
    assert finding.grade == "usable"
    assert finding.frames == ((51, 51),)


def test_repeats_are_counted_and_a_cadence_is_named():
    some = NONE.copy()
    some[[20, 70]] = True
    assert read_figures(check(duplicate=some))["repeated frames"] == 2
    every = np.arange(120) % 5 == 4
    finding = check(duplicate=every)
    assert "Every fifth frame" in finding.says
    assert finding.grade == "usable"
    assert check(duplicate=every, timed=False).grade == "good"
    still = np.ones(120, bool)
    assert "noise reduction" in check(duplicate=still).remedy


def test_repeats_coded_again_show_in_the_change():
    rng = np.random.default_rng(2)
    change = rng.uniform(0.9, 1.4, 120)
    change[[33, 80]] = 0.05
    np.testing.assert_array_equal(np.flatnonzero(find_near_repeats(change)), [33, 80])
    assert not find_near_repeats(np.where(np.arange(120) % 12, 0.01, 1.0)).any()  # a codec that lets pictures stand
    assert not find_near_repeats(np.zeros(50)).any()
    finding = check(change=change)
    assert read_figures(finding)["repeated frames"] == 2


def test_still_pictures_that_a_codec_lets_stand_are_no_repeats():
    rng = np.random.default_rng(4)
    change = np.where(np.arange(120) % 3, rng.uniform(0.01, 0.04, 120), rng.uniform(0.3, 0.5, 120))
    repeats = NONE.copy()
    repeats[[40, 41, 80]] = True
    change[repeats] = 0
    assert check(duplicate=repeats, change=change).grade == "good"
    change = np.where(repeats, 0, rng.uniform(0.8, 1.2, 120))
    assert read_figures(check(duplicate=repeats, change=change))["repeated frames"] == 3


# --- timecode ----------------------------------------------------------------------------------------


def test_breaks_of_the_timecode_are_told():
    codes = [f"10:00:{k // 24:02d}:{k % 24:02d}" for k in range(130)]
    del codes[50:53]
    codes[100:] = [f"09:00:{k // 24:02d}:{k % 24:02d}" for k in range(27)]
    finding = check(np.arange(127) / 24, np.zeros(127, bool), timecodes=codes)
    assert read_figures(finding)["lost frames"] == 3
    assert "goes back" in finding.says


def test_gaps_told_twice_are_counted_once():
    codes = [f"10:00:{k // 24:02d}:{k % 24:02d}" for k in range(124)]
    del codes[50:54]
    seconds = np.delete(np.arange(124) / 24, range(50, 54))
    assert measure_timing(seconds, NONE, rate=24, timecodes=codes).lost == 4


def test_another_recording_is_no_loss_of_a_sweep_but_a_hole_in_a_hero():
    codes = [f"10:00:{k // 24:02d}:{k % 24:02d}" for k in (*range(60), *range(600, 660))]
    seconds = np.r_[np.arange(60), 100 + np.arange(60)] / 24  # the second file's clock begins somewhere else
    found = {timed: check(seconds, timecodes=codes, joins=[60], timed=timed) for timed in (True, False)}
    assert (found[True].grade, found[False].grade) == ("usable", "good")
    assert "jumps by 540 frames at frame 61" in found[False].says
    assert read_figures(found[True])["lost frames"] == 0
    going_on = [f"10:00:{k // 24:02d}:{k % 24:02d}" for k in range(120)]
    assert check(seconds, timecodes=going_on, joins=[60]).says.endswith("none missing.")


def test_the_rate_shown_is_not_that_of_a_rounded_step():
    seconds = np.round(np.arange(120) * 1001 / 24000, 3)
    told = check_timing(seconds, NONE, rate=None)
    assert read_figures(told)["frame rate"] == pytest.approx(24000 / 1001, rel=3e-4)  # nearest step: 23.81
    told = check_timing(seconds, NONE, rate=Fraction(24000, 1001))
    assert read_figures(told)["frame rate"] == pytest.approx(24000 / 1001, rel=1e-9)


def test_few_frames_and_no_times_are_no_fault():
    assert check_timing(np.array([0.0]), np.array([False]), rate=24).grade == "not checked"
    assert check(np.full(120, np.nan)).grade == "good"
    assert check_timing(np.full(120, np.nan), NONE, rate=None).grade == "good"


# --- made takes --------------------------------------------------------------------------------------


def measure_change(proxies):
    frames = [np.asarray(frame, np.float32) for frame in proxies.rgb]
    return np.array([0.0] + [np.abs(b - a).mean() for a, b in zip(frames[:-1], frames[1:], strict=True)])


@pytest.mark.parametrize("quantiser", [0.0, 4.0])
def test_repeats_put_into_a_made_take_are_found(quantiser):
    room = make_room(1, take="hero", size=(90, 160), frames=120)
    order = repeat_and_drop(len(room), repeats=(20, 50, 85))
    proxies = make_proxies(FaultyTake(room, Faults(order=order, quantiser=quantiser)))
    finding = check_timing(proxies.seconds, proxies.duplicate, rate=24, change=measure_change(proxies))
    assert finding.frames == ((21, 21), (51, 51), (86, 86))
    assert finding.grade == "reshoot"


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("kind", ["sweep", "hero"])
def test_faultless_takes_have_good_timing(seed, kind):
    room = make_room(seed, **({} if kind == "sweep" else {"take": "hero", "size": (90, 160), "frames": 120}))
    proxies = make_proxies(room)
    finding = check_timing(
        proxies.seconds,
        proxies.duplicate,
        rate=24,
        change=measure_change(proxies),
        moving=gather_moving(proxies),
    )
    assert finding.grade == "good", finding.says
