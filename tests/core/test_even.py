"""Bringing the stills' levels together."""

import numpy as np
import pytest

from lightstack.core.sweep.even import even_gains, measure_level
from lightstack.errors import SettingError


def test_full_amount_brings_all_to_the_median():
    levels = np.array([0.1, 0.2, 0.4])
    np.testing.assert_allclose(levels * even_gains(levels, amount=1), 0.2)


def test_half_amount_halves_the_stops():
    np.testing.assert_allclose(np.log2(even_gains(np.array([0.1, 0.2, 0.4]), amount=0.5)), [0.5, 0, -0.5])


def test_zero_changes_nothing():
    np.testing.assert_array_equal(even_gains(np.array([0.1, 5.0]), amount=0), 1)


def test_limit_holds_and_dark_stills_are_left_alone():
    gains = even_gains(np.array([1e-4, 1.0, 1.0, 1.0, 0.0, np.nan]), amount=1, limit_stops=2)
    np.testing.assert_allclose(gains, [4, 1, 1, 1, 1, 1])
    np.testing.assert_array_equal(even_gains(np.zeros(3), amount=1), 1)


def test_distance_of_the_lamp_is_evened_out():
    # REFERENCE  inverse square law (photometry handbooks): twice as far is 2 stops less.
    # TOLERANCE  1e-6: exact by construction.
    y, x = np.mgrid[:40, :60] / 60
    pattern = np.exp(-((x - 0.5) ** 2 + (y - 0.3) ** 2) / 0.02).astype(np.float32)
    levels = np.array([measure_level(pattern / d**2, np.ones((40, 60))) for d in (1.0, 2.0, 1.0)])
    np.testing.assert_allclose(np.log2(even_gains(levels, amount=1)), [0, 2, 0], atol=1e-6)


def test_level_ignores_blocked_unlit_and_bad_pixels():
    light = np.full((10, 10), 0.2, np.float32)
    light[0], light[1], light[2] = 50, np.nan, 0.001
    valid = np.ones((10, 10))
    valid[0] = 0
    assert measure_level(light, valid, sigma=0.01) == pytest.approx(0.2)
    assert measure_level(light, np.zeros((10, 10))) == 0


@pytest.mark.parametrize("wrong", [{"amount": -0.1}, {"amount": 1.1}, {"amount": 1, "limit_stops": -1}])
def test_bad_settings_are_refused(wrong):
    with pytest.raises(SettingError):
        even_gains(np.ones(2), **wrong)
