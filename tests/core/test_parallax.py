import numpy as np
import pytest
from framing_helpers import NOISE
from made import faults_framing
from made.camera import pose_matrix

from lightstack.core.register.parallax import measure_parallax


def test_a_turn_shows_no_parallax():
    size = (180, 320)
    take = faults_framing.bump(2, at=1, count=2, shift=(1.2, 0.4), turn_deg=0.2, size=size)
    one, two = (take.rgb[k].astype(np.float32) for k in range(2))
    found, error = measure_parallax(one, two, take.poses[1], noise=NOISE)
    assert found < max(0.25, 4 * error)


def test_a_step_aside_shows_more_the_longer_it_is():
    found = []
    for step in (0.02, 0.06):
        one, two = faults_framing.parallax(2, step=(step, 0.0, 0.0), count=1).truth["pictures"]
        found.append(measure_parallax(one, two, np.eye(3), noise=NOISE)[0])
    assert found[0] > 0.2
    assert found[1] > 2 * found[0]


def test_full_size_pixels_are_factor_times_as_many():
    one, two = faults_framing.parallax(2, step=(0.03, 0.0, 0.0), count=1).truth["pictures"]
    single = measure_parallax(one, two, np.eye(3), noise=NOISE)
    double = measure_parallax(one, two, np.eye(3), noise=NOISE, factor=2)
    assert double == pytest.approx((2 * single[0], 2 * single[1]), rel=1e-6)


def test_nothing_to_see_is_nan():
    flat = np.full((90, 160, 3), 0.2, np.float32)
    assert np.isnan(measure_parallax(flat, flat, pose_matrix((90, 160), (0, 0)), noise=NOISE)[0])
    assert np.isnan(measure_parallax(flat[:12, :12], flat[:12, :12], np.eye(3))[0])
