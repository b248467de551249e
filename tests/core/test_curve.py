"""The mix curve."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from lightstack.core.mix.curve import OFF, SHAPES, make_curve
from lightstack.core.mix.envelope import Envelope, evaluate_envelope
from lightstack.core.mix.spans import find_monotone_slopes
from lightstack.errors import SettingError


def gains(points, first, last, unit="gain"):
    return make_curve(points, first=first, last=last, unit=unit).gains


def run_envelope(first, last, **parts):
    return evaluate_envelope(Envelope(**parts), np.arange(first, last + 1))


def test_a_lone_point_holds_everywhere():
    np.testing.assert_array_equal(gains([[1010, 0.5]], 1001, 1020), 0.5)


def test_linear_in_gain_and_in_stops():
    np.testing.assert_allclose(gains([[0, 0], [4, 1]], -1, 5), [0, 0, 0.25, 0.5, 0.75, 1, 1])
    np.testing.assert_allclose(gains([[0, -2], [2, 0]], 0, 2, "stops"), [0.25, 0.5, 1])


def test_hold_jumps_at_the_next_point():
    np.testing.assert_array_equal(gains([[0, 0.2, "hold"], [3, 1]], 0, 4), [0.2, 0.2, 0.2, 1, 1])


def test_exponential_keeps_the_ratio_of_neighbours():
    curve = gains([[0, 1, "exponential"], [6, 1 / 64]], 0, 6)
    np.testing.assert_allclose(curve[1:] / curve[:-1], 0.5)


@pytest.mark.parametrize("shape", sorted(SHAPES))
@pytest.mark.parametrize("unit", ["gain", "stops"])
def test_off_is_reached_exactly_and_without_a_jump(shape, unit):
    top = 1.0 if unit == "gain" else 0.0
    down = gains([[0, top, shape], [24, OFF]], 0, 24, unit)
    up = gains([[0, OFF, shape], [24, top]], 0, 24, unit)
    assert (down[0], down[-1], up[0], up[-1]) == (1, 0, 0, 1)
    assert np.all(np.diff(down) <= 0)
    if shape != "hold":
        np.testing.assert_allclose(up, down[::-1], atol=1e-12)
        assert np.abs(np.diff(down)).max() < 0.25


def test_spans_to_off_run_in_gain():
    np.testing.assert_allclose(gains([[0, OFF], [4, 2.0]], 0, 4, "stops"), [0, 1, 2, 3, 4])
    assert make_curve([[0, OFF]], first=0, last=0, unit="stops").stops[0] == -np.inf


@given(st.lists(st.tuples(st.integers(1, 9), st.floats(0, 4)), min_size=2, max_size=8))
@settings(max_examples=60, deadline=None)
def test_smooth_is_the_monotone_cubic(steps):
    # REFERENCE  scipy.interpolate.PchipInterpolator (Fritsch and Butland 1984; the same end formula).
    # TOLERANCE  1e-9 absolute, double rounding.
    frames = np.cumsum([s for s, _ in steps]).astype(float)
    values = np.round([v for _, v in steps], 3)
    curve = make_curve(
        [[f, v, "smooth"] for f, v in zip(frames, values, strict=True)],
        first=int(frames[0]),
        last=int(frames[-1]),
    )
    judge = PchipInterpolator(frames, values)
    np.testing.assert_allclose(curve.gains, judge(np.arange(frames[0], frames[-1] + 1)), atol=1e-9)
    np.testing.assert_allclose(find_monotone_slopes(frames, values), judge.derivative()(frames), atol=1e-9)


@given(st.lists(st.floats(-6, 3), min_size=2, max_size=6), st.sampled_from(sorted(SHAPES)))
@settings(max_examples=60, deadline=None)
def test_no_shape_leaves_the_range_of_its_two_points(stops, shape):
    points = [[10 * i, v, shape] for i, v in enumerate(stops)]
    curve = gains(points, 0, 10 * (len(stops) - 1), "stops")
    for i in range(len(stops) - 1):
        low, high = sorted((2.0 ** stops[i], 2.0 ** stops[i + 1]))
        assert low * (1 - 1e-9) <= curve[10 * i : 10 * i + 11].min()
        assert curve[10 * i : 10 * i + 11].max() <= high * (1 + 1e-9)
        assert curve[10 * i] == pytest.approx(2.0 ** stops[i])


def test_smooth_in_stops_between_points_that_are_on():
    points = [[0, OFF, "smooth"], [10, 0, "smooth"], [20, -2, "smooth"], [30, 1, "smooth"], [40, OFF]]
    curve = gains(points, 0, 40, "stops")
    judge = PchipInterpolator([10, 20, 30], [0, -2, 1])
    np.testing.assert_allclose(np.log2(curve[10:31]), judge(np.arange(10, 31)), atol=1e-12)
    assert curve[0] == curve[40] == 0
    assert np.all(np.diff(curve[:11]) > 0)


def test_frames_between_points_may_be_fractions():
    np.testing.assert_allclose(gains([[0.5, 0], [2.5, 1]], 0, 3), [0, 0.25, 0.75, 1])


def test_curve_knows_its_frames():
    curve = make_curve([[1001, 0], [1005, 1]], first=1001, last=1005)
    assert curve.gain_at(1003) == 0.5
    with pytest.raises(IndexError):
        curve.gain_at(1000)


def test_envelope_rises_stays_and_falls():
    curve = run_envelope(1, 40, start=10, attack=4, hold=5, decay=8, peak=0.5)
    at = dict(zip(range(1, 41), curve, strict=True))
    assert at[10] == 0
    assert at[14] == at[16] == at[19] == 0.5
    assert at[27] == at[40] == 0
    assert 0 < at[12] < 0.5
    assert 0 < at[23] < 0.25  # exponential: most of it falls early


def test_envelope_without_attack_or_decay_switches():
    curve = run_envelope(1, 8, start=3, attack=0, hold=2, decay=0)
    np.testing.assert_array_equal(curve, [0, 0, 1, 1, 1, 0, 0, 0])
    curve = run_envelope(1, 8, start=3, attack=0, hold=0, decay=4, decay_shape="linear")
    np.testing.assert_allclose(curve, [0, 0, 1, 0.75, 0.5, 0.25, 0, 0])


@pytest.mark.parametrize(
    "points",
    [
        [],
        [[5, 1], [5, 0]],
        [[5, 1], [4, 0]],
        [[1, -0.1]],
        [[1, float("nan")]],
        [[1, float("inf")]],
        [[1, "on"]],
        [[1, 1, "bouncy"]],
    ],
)
def test_points_that_make_no_curve_are_refused(points):
    with pytest.raises(SettingError):
        make_curve(points, first=1, last=9)


def test_unknown_unit_turned_range_and_negative_lengths_are_refused():
    with pytest.raises(SettingError, match="unit"):
        make_curve([[1, 1]], first=1, last=2, unit="lux")
    with pytest.raises(SettingError, match="before it begins"):
        make_curve([[1, 1]], first=2, last=1)
    with pytest.raises(SettingError, match="attack"):
        run_envelope(1, 2, start=1, attack=-1, hold=0, decay=0)
