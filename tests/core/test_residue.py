"""What is left where nothing was lit."""

import numpy as np
import pytest

from lightstack.core.sweep.residue import floor_residue, measure_residue


def test_residue_is_measured_outside_the_reach():
    plate = np.full((10, 10, 3), 0.5, np.float32)
    plate[:5] = [0.01, -0.02, 0.0]
    reached = np.zeros((10, 10), bool)
    reached[5:] = True
    residue = measure_residue(plate, reached)
    assert residue.share == 0.5
    np.testing.assert_allclose(residue.mean, [0.01, -0.02, 0.0], atol=1e-7)
    np.testing.assert_allclose(residue.deviation, 0, atol=1e-7)
    assert measure_residue(plate, np.ones((10, 10), bool)).share == 0


def test_floor_keeps_what_is_lit_and_rolls_the_rest_to_zero():
    peak = np.linspace(0, 6, 601)[None, :, None]
    plate = np.full((1, 601, 3), 0.1, np.float32)
    floored = floor_residue(plate, peak, floor_sigma=3)
    np.testing.assert_array_equal(floored[0, peak[0, :, 0] >= 3], np.float32(0.1))
    assert not floored[0, peak[0, :, 0] <= 1.5].any()
    steps = np.diff(floored[0, :, 0])
    assert (steps >= -1e-9).all()
    assert steps.max() < 0.1 * 2 / 150  # no jump anywhere


def test_floor_is_off_by_default_value():
    plate = np.random.default_rng(1).standard_normal((4, 4, 3)).astype(np.float32)
    assert floor_residue(plate, np.zeros((4, 4, 1)), floor_sigma=0) is plate
    assert floor_residue(-plate, np.full((4, 4), -np.inf), floor_sigma=2) == pytest.approx(0)
