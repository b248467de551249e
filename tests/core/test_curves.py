"""Shapes of curves: joined branches, continuations beyond the published domain."""

from __future__ import annotations

import numpy as np
import pytest

from lightstack.core.colour.curves import join_branches, line_branch, line_power, make_curve, pure_power, tangent_log


def test_branches_that_leave_a_gap_meet_at_its_edges():
    decode, encode = join_branches(line_branch(1.0, 0.0), line_branch(1.0, 0.1), cut=0.5)
    np.testing.assert_allclose(encode(np.array([0.4, 0.5, 0.5000001])), [0.4, 0.5, 0.6000001])
    # Signals in the gap 0.5..0.6 belong to no light: each goes to its nearer side.
    inside = decode(np.array([0.52, 0.58]))
    np.testing.assert_allclose(inside, [0.5, 0.5], atol=1e-6)
    np.testing.assert_allclose(encode(inside), [0.5, 0.6], atol=1e-6)


def test_branches_that_overlap_are_bridged():
    decode, encode = join_branches(line_branch(1.0, 0.0), line_branch(1.0, -0.1), cut=0.5)
    light = np.linspace(0.0, 1.0, 2001)
    signal = encode(light)
    assert np.all(np.diff(signal) > 0)
    np.testing.assert_allclose(decode(signal), light, atol=1e-12)
    outside = (light <= 0.4) | (light >= 0.6)
    expected = np.where(light < 0.5, light, light - 0.1)
    np.testing.assert_array_equal(signal[outside], expected[outside])


def test_a_power_is_mirrored_and_a_bare_logarithm_goes_on_straight():
    power = pure_power("p", 2.0, "made")
    np.testing.assert_allclose(power.decode(np.array([-0.5, 0.5])), [-0.25, 0.25])
    mirrored = line_power("m", slope=4.5, cut=0.018, alpha=1.099, gamma=1 / 0.45, citation="made")
    light = np.logspace(-3, 1, 40)
    np.testing.assert_array_equal(mirrored.encode(-light), -mirrored.encode(light))
    log = tangent_log("t", a=1.0, b=0.01, c=0.3, d=0.6, citation="made")
    below = log.decode(np.array([-0.3, -0.2, -0.1]))
    assert np.diff(below)[0] == pytest.approx(np.diff(below)[1])
    # the slope is the same on both sides of signal 0
    left, right = (log.decode(0.0) - log.decode(-1e-6), log.decode(1e-6) - log.decode(0.0))
    assert left == pytest.approx(right, rel=1e-4)


def test_a_made_curve_keeps_float32_and_measures_its_ceiling():
    curve = make_curve("twice", lambda v: 2 * v, lambda x: x / 2, "made")
    assert curve.signal_max == 2.0
    assert curve.decode(np.float32([0.25])).dtype == np.float32
    assert curve.encode([1, 2]).dtype == np.float64
    assert isinstance(curve.decode(0.5), float)
