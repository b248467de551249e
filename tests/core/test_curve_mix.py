"""How the lamp answers, what the shutter sees, and what a mix does in numbers."""

import numpy as np
import pytest
from scipy import signal

from lightstack.core.mix.curve import evaluate
from lightstack.core.mix.curve_mix import MixRecipe, make_mix
from lightstack.core.mix.facts import find_turns, measure_mix
from lightstack.core.mix.follow import LevelShape, find_full, settle_level, shape_level, window_rms
from lightstack.core.mix.response import Response, respond
from lightstack.errors import SettingError
from lightstack.records import MixCurve


def switch(on, off=np.inf):
    return lambda frames: ((frames >= on) & (frames < off)).astype(np.float64)


def glow(t, tau):
    """Integral from 0 of a first-order rise, closed form."""
    t = np.maximum(t, 0.0)
    return t - tau * (1 - np.exp(-t / tau))


def test_a_step_is_answered_by_the_closed_form_with_constants_of_its_own():
    # REFERENCE  1 - exp(-t / rise) up, and from where that got exp(-t / fall) down.
    made = make_mix(MixRecipe(base=switch(10, 30), response=Response(4.0, 7.0)), 0, 80)
    t = np.arange(81.0)
    up = 1 - np.exp(-np.clip(t - 10, 0, 20) / 4.0)
    np.testing.assert_allclose(made.curve.gains, up * np.exp(-np.maximum(t - 30, 0) / 7.0), atol=1e-12)


@pytest.mark.parametrize("shutter", [90.0, 172.8, 360.0])
def test_the_shutter_takes_the_mean_of_the_answer(shutter):
    # REFERENCE  the closed form's integral. TOLERANCE  double rounding where the step lies on a whole frame.
    made = make_mix(MixRecipe(base=switch(10), response=Response(3.0, 3.0), shutter=shutter), 0, 40)
    t, half = np.arange(41.0) - 10, shutter / 720
    judge = (glow(t + half, 3.0) - glow(t - half, 3.0)) / (2 * half)
    np.testing.assert_allclose(made.curve.gains, judge, atol=1e-10)


def test_equal_constants_are_an_ordinary_first_order_filter():
    # REFERENCE  scipy.signal.lfilter of y[k] = a y[k-1] + (1 - a) x[k], a = exp(-h / tau).
    rng = np.random.default_rng(1)
    drive, width = rng.random(500), 0.25
    means, ends = respond(drive, np.full(500, width), 0.0, Response(2.0, 2.0))
    a = np.exp(-width / 2.0)
    np.testing.assert_allclose(ends, signal.lfilter([1 - a], [1, -a], drive), atol=1e-12)
    assert np.all((means >= 0) & (means <= 1))


def test_no_constant_answers_at_once_and_the_start_does_not_matter():
    base = switch(10, 30)
    plain = make_mix(MixRecipe(base=base, shutter=180), 0, 60).curve.gains
    at_once = make_mix(MixRecipe(base=base, shutter=180, response=Response(0.0, 0.0)), 0, 60).curve.gains
    np.testing.assert_allclose(at_once, plain, atol=1e-12)
    slow = MixRecipe(base=base, response=Response(5.0, 9.0), shutter=120)
    np.testing.assert_allclose(
        make_mix(slow, 0, 60).curve.gains[35:50], make_mix(slow, 35, 49).curve.gains, atol=1e-6
    )


def test_a_straight_line_is_its_own_mean_and_a_clamp_comes_last():
    line = MixRecipe(base=lambda f: evaluate([[0, 0, "linear"], [100, 1]], f), shutter=300, clamp=(0.2, 0.6))
    np.testing.assert_allclose(make_mix(line, 10, 90).curve.gains, np.clip(np.arange(10, 91) / 100, 0.2, 0.6))


def test_a_jump_on_a_frame_is_halved_by_a_shutter_that_is_centred_on_it():
    gains = make_mix(MixRecipe(base=switch(10), shutter=172.8), 8, 12).curve.gains
    np.testing.assert_allclose(gains, [0, 0, 0.5, 1, 1], atol=1e-12)


def test_turned_ranges_and_shutters_beyond_a_turn_are_refused():
    with pytest.raises(SettingError, match="before it begins"):
        make_mix(MixRecipe(base=switch(1)), 5, 4)
    with pytest.raises(SettingError, match="0 to 360"):
        make_mix(MixRecipe(base=switch(1), shutter=400), 1, 4)


# --- figures ---------------------------------------------------------------------------------------


def test_figures_of_a_mix_that_is_known():
    facts = measure_mix(MixCurve(1001, np.array([0.0, 0.5, 1.0, 0.25, 0.25, 0.0])), 24.0)
    assert (facts.peak, facts.peak_frame) == (1.0, 1003)
    assert (facts.steepest_gain, facts.steepest_gain_frame) == (-0.75, 1003)
    assert (facts.steepest_stops, facts.steepest_stops_frame) == (-2.0, 1003)
    assert facts.total == 2.0


def test_what_holds_still_has_no_steepest_change():
    for gains in (np.zeros(5), np.ones(5), np.ones(1)):
        facts = measure_mix(MixCurve(1, gains), 24.0)
        assert facts.steepest_gain_frame is None and facts.steepest_stops is None and facts.most_swings == 0


@pytest.mark.parametrize("hertz", [1.0, 2.0, 3.0, 5.0])
def test_rises_and_falls_are_counted_by_the_second(hertz):
    # By construction: so many whole sines a second for 10 seconds; a small ripple on top counts for nothing.
    t = np.arange(240) / 24
    gains = 1 - np.cos(2 * np.pi * hertz * t) + 0.05 * np.sin(2 * np.pi * 11 * t)
    facts = measure_mix(MixCurve(1, gains), 24.0)
    assert facts.swings == pytest.approx(hertz, abs=0.06)
    assert facts.most_swings == pytest.approx(hertz, abs=0.5)


def test_a_slow_rise_is_one_turn():
    assert find_turns(np.linspace(0, 1, 100), 0.1) == [10]  # 10 / 99 is the first of a tenth
    assert find_turns(np.array([]), 0.1) == find_turns(np.ones(4), 0.0) == []


# --- levels ----------------------------------------------------------------------------------------


def test_the_window_of_a_level_is_the_rms_of_its_samples():
    # REFERENCE  numpy's own root mean square over the same samples.
    rng = np.random.default_rng(2)
    samples = rng.standard_normal((40, 100))
    levels = window_rms((samples**2).sum(1), np.full(40, 100.0), step=0.125, window=0.625)
    judge = [np.sqrt(np.mean(samples[k - 2 : k + 3] ** 2)) for k in range(2, 38)]
    np.testing.assert_allclose(levels[2:38], judge, rtol=1e-12)


def test_smoothing_is_a_gaussian_and_attack_differs_from_release():
    # REFERENCE  numpy.convolve with the sampled Gaussian.
    rng = np.random.default_rng(3)
    levels = rng.random(200)
    got = settle_level(levels, step=0.5, attack=0, release=0, smoothing=2.0)
    kernel = np.exp(-0.5 * (np.arange(-20, 21) * 0.5 / 2.0) ** 2)
    judge = np.convolve(levels, kernel / kernel.sum(), mode="valid")
    np.testing.assert_allclose(got[20:-20], judge, atol=1e-9)
    step = np.repeat([0.0, 1.0, 0.0], 50)
    settled = settle_level(step, step=1.0, attack=2.0, release=10.0, smoothing=0)
    assert settled[51] == pytest.approx(1 - np.exp(-1)) and settled[109] == pytest.approx(np.exp(-1), abs=1e-6)


def test_levels_become_gains():
    shape = LevelShape(full=0.5, gain=2.0, offset=0.1, floor=0.2, ceiling=1.5)
    np.testing.assert_allclose(shape_level(np.array([0, 0.1, 0.3, 0.6]), shape), [0.2, 0.5, 1.3, 1.5])
    assert find_full(np.arange(5.0), np.array([9, 1, 2, 1, 9.0]), 0.5, 3.25) == 5.0
