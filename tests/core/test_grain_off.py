"""Grain taken off a plate: known answers, a slow twin, properties, an outside filter."""

import numpy as np
import pytest
from scipy.signal import wiener

from lightstack.core.sweep.grain_off import RADIUS, take_off_grain
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
ALL = np.ones((48, 64), bool)
AMBIENT = np.full((48, 64, 3), 0.02, np.float32)


def noisy(light, rng, noise=NOISE, ambient=AMBIENT):
    return (light + rng.standard_normal(light.shape) * noise.sigma(light + ambient)).astype(np.float32)


def test_a_flat_light_loses_its_grain_and_keeps_its_level():
    light = np.ones((48, 64, 3), np.float32) * np.float32([0.02, 0.005, 0.05])
    plate = noisy(light, np.random.default_rng(1))
    smooth = take_off_grain(plate, AMBIENT, ALL, noise=NOISE)
    assert np.all((smooth - light).std(axis=(0, 1)) < 0.45 * (plate - light).std(axis=(0, 1)))
    np.testing.assert_allclose(smooth.mean(axis=(0, 1)), plate.mean(axis=(0, 1)), rtol=5e-3)


def test_an_edge_and_a_texture_far_above_the_noise_stay():
    y, x = np.mgrid[:48, :64]
    light = (0.3 + 0.2 * (x > 30) + 0.1 * np.sin(2 * np.pi * (x + 0.6 * y) / 5))[..., None] * np.float32([1, 0.6, 0.8])
    quiet = NoiseModel(np.full(3, 1e-6), np.full(3, 1e-8))
    smooth = take_off_grain(light.astype(np.float32), AMBIENT, ALL, noise=quiet)
    np.testing.assert_allclose(smooth, light, atol=2e-4)


def test_closed_places_stay_and_lend_nothing():
    plate = np.full((48, 64, 3), 0.05, np.float32)
    is_open = ALL.copy()
    is_open[:, 32:] = False
    plate[:, 32:] = 9.0
    smooth = take_off_grain(plate, AMBIENT, is_open, noise=NOISE)
    np.testing.assert_array_equal(smooth[:, 32:], plate[:, 32:])
    np.testing.assert_allclose(smooth[:, :32], 0.05, rtol=1e-5)


def test_a_raised_still_is_judged_by_its_raised_noise():
    light = np.full((48, 64, 3), 0.02, np.float32)
    once = noisy(light, np.random.default_rng(2))
    winner = np.ones((48, 64), np.int16)
    gains = np.float32([[1, 1, 1], [3, 3, 3]])
    raised = take_off_grain(3 * once, AMBIENT, ALL, noise=NOISE, gains=gains, winner=winner)
    np.testing.assert_allclose(raised, 3 * take_off_grain(once, AMBIENT, ALL, noise=NOISE), rtol=2e-4, atol=1e-7)


def estimate_slowly(plate, ambient, is_open, noise, y, x):
    """The same in plain float64, one place."""
    rows, columns = slice(max(y - RADIUS, 0), y + RADIUS + 1), slice(max(x - RADIUS, 0), x + RADIUS + 1)
    near = is_open[rows, columns]
    values = plate[rows, columns][near].astype(np.float64)
    level = np.maximum(ambient[rows, columns][near], 0) + np.maximum(values, 0)
    sigma = np.sqrt((noise.a * level + noise.b).mean(axis=0))
    mean = values.mean(axis=0)
    white = (values - mean) / sigma
    along = np.maximum(mean / sigma, 1e-6)
    along /= np.linalg.norm(along)
    covariance = white.T @ white / len(white)
    first = along @ covariance @ along
    rest = (np.trace(covariance) - first) / 2
    own = (plate[y, x] - mean) / sigma
    part = along * (along @ own)
    return mean + sigma * (max(0, 1 - 1 / first) * part + max(0, 1 - 1 / rest) * (own - part))


def test_agrees_with_a_slow_twin():
    rng = np.random.default_rng(3)
    light = np.abs(rng.standard_normal((48, 64, 3))).astype(np.float32) * 0.01
    plate = noisy(light, rng)
    is_open = rng.random((48, 64)) > 0.1
    smooth = take_off_grain(plate, AMBIENT, is_open, noise=NOISE)
    for y, x in [(0, 0), (5, 9), (20, 63), (47, 30), (33, 33)]:
        if is_open[y, x]:
            expected = estimate_slowly(plate, AMBIENT, is_open, NOISE, y, x)
            np.testing.assert_allclose(smooth[y, x], expected, rtol=2e-3, atol=2e-6)


def test_a_grey_picture_agrees_with_the_adaptive_filter_of_scipy():
    # REFERENCE  scipy.signal.wiener (Lim 1990, eq. 9.26): mean + (1 - noise / variance) (value - mean), one channel.
    # TOLERANCE  with three equal channels the light varies along grey alone, where the variance is three times and the
    #            noise one unit: so scipy's noise power is a third of ours. 1 % of the noise, away from the border.
    rng = np.random.default_rng(4)
    grey = (0.05 + 0.01 * rng.standard_normal((48, 64))).astype(np.float32)
    even = NoiseModel(np.zeros(3), np.full(3, 6e-5))
    ours = take_off_grain(np.repeat(grey[..., None], 3, axis=2), 0 * AMBIENT, ALL, noise=even)
    theirs = wiener(grey.astype(np.float64), (5, 5), noise=6e-5 / 3)
    inner = slice(RADIUS, -RADIUS)
    np.testing.assert_allclose(ours[inner, inner, 1], theirs[inner, inner], atol=0.01 * np.sqrt(6e-5))


@pytest.mark.parametrize("size", [(1, 1), (1, 7), (3, 2)])
def test_small_pictures(size):
    plate = np.full((*size, 3), 0.1, np.float32)
    smooth = take_off_grain(plate, 0 * plate, np.ones(size, bool), noise=NOISE)
    np.testing.assert_allclose(smooth, plate, rtol=1e-5)


def test_threads_change_nothing(monkeypatch):
    rng = np.random.default_rng(5)
    plate = rng.random((400, 700, 3), dtype=np.float32)
    ambient, is_open = 0 * plate, np.ones((400, 700), bool)
    several = take_off_grain(plate, ambient, is_open, noise=NOISE)
    monkeypatch.setattr("lightstack.core.compiled.usable_threads", lambda: 1)
    np.testing.assert_array_equal(take_off_grain(plate, ambient, is_open, noise=NOISE), several)
