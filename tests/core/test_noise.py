"""Noise measured from pairs of frames."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation

from lightstack.core.noise import NoiseTally, fit_noise, measure_patches, sigma_at
from lightstack.errors import UnusableTake
from lightstack.records import NoiseModel

A, B = np.array([4e-4, 6e-4, 9e-4]), np.array([4e-6, 2e-6, 9e-6])


def measure_noise(pairs, **options):
    tally = NoiseTally(**options)
    for first, second in pairs:
        tally.add(first, second)
    return tally.result()


def film_ramp(rng, *, size=128, pairs=30, top=0.7):
    """Pairs of a textured ramp with Poisson-Gaussian noise."""
    x = np.linspace(0, 1, size) ** 2
    level = top * np.outer(0.6 + 0.4 * np.sin(np.arange(size) * 0.9), x)[..., None] * np.ones(3)
    sigma = np.sqrt(A * level + B)
    return [tuple(level + sigma * rng.standard_normal(level.shape) for _ in range(2)) for _ in range(pairs)]


def test_noise_is_found_within_three_percent_on_nineteen_of_twenty_seeds():
    # REFERENCE  the noise was put in: variance = a * level + b (EMVA 1288 4.0's linear camera model).
    # TOLERANCE  3 % of each of the six numbers, 30 pairs, 19 of 20 seeds.
    good = 0
    for seed in range(20):
        model = measure_noise(film_ramp(np.random.default_rng(seed)))
        good += bool(np.all(np.abs(model.a / A - 1) < 0.03) and np.all(np.abs(model.b / B - 1) < 0.03))
    assert good >= 19


def test_patch_variance_equals_its_slow_twin():
    rng = np.random.default_rng(3)
    first, second = rng.normal(0.2, 0.1, (2, 19, 26, 3)).astype(np.float32)
    levels, variances, shifts = measure_patches(first, second, 8)
    slow = [
        (np.mean((f + s) / 2), np.var(f - s, ddof=1) / 2, np.mean(f - s))
        for y in (0, 8) for x in (0, 8, 16)
        for f, s in [(first[y : y + 8, x : x + 8, 1].astype(float), second[y : y + 8, x : x + 8, 1].astype(float))]
    ]  # fmt: skip
    np.testing.assert_allclose(np.stack([levels[1], variances[1], shifts[1]]).T, slow, rtol=2e-4, atol=1e-6)


def test_noise_agrees_with_an_outside_estimate_on_flat_frames():
    # REFERENCE  scipy.stats.median_abs_deviation(scale="normal") of the difference over sqrt(2).
    # TOLERANCE  2 %: both see 128 x 128 pixels once; the median's own standard error is 0.9 %.
    rng = np.random.default_rng(1)
    frames = 0.3 + 0.01 * rng.standard_normal((2, 128, 128, 3))
    ours = measure_noise([tuple(frames)]).sigma(np.full(3, 0.3))
    outside = median_abs_deviation((frames[0] - frames[1]).reshape(-1, 3), axis=0, scale="normal") / np.sqrt(2)
    np.testing.assert_allclose(ours, outside, rtol=0.02)


def test_a_moving_lamp_is_outranked_by_dark_pairs_and_trimmed_within_a_pair():
    rng = np.random.default_rng(5)
    tally = NoiseTally(keep=16)
    y, x = np.mgrid[0:128, 0:128]
    for k, (first, second) in enumerate(film_ramp(rng, pairs=20)):
        tally.add(first, second)
        lamp = 0.4 * np.exp(-((x - 5 * k) ** 2 + (y - 60) ** 2) / 800)[..., None]
        tally.add(first + lamp, second + np.roll(lamp, 7, axis=1))
    model = tally.result()
    np.testing.assert_allclose(model.a, A, rtol=0.08)
    np.testing.assert_allclose(model.b, B, rtol=0.08)


def test_a_fade_between_two_frames_is_no_noise():
    rng = np.random.default_rng(6)
    frames = [(f - 0.005, s + 0.005) for f, s in film_ramp(rng)]
    np.testing.assert_allclose(measure_noise(frames).b, B, rtol=0.05)


@settings(max_examples=15, deadline=None)
@given(st.floats(1e-3, 1e3))
def test_noise_scales_with_exposure(gain):
    rng = np.random.default_rng(7)
    pairs = film_ramp(rng, size=64, pairs=4)
    plain = measure_noise(pairs)
    scaled = measure_noise([(f * gain, s * gain) for f, s in pairs])
    np.testing.assert_allclose(scaled.a, plain.a * gain, rtol=1e-3)
    np.testing.assert_allclose(scaled.b, plain.b * gain**2, rtol=2e-2, atol=1e-13)


def test_clipped_patches_do_not_count():
    rng = np.random.default_rng(8)
    pairs = [(np.minimum(f, 0.4), np.minimum(s, 0.4)) for f, s in film_ramp(rng)]
    np.testing.assert_allclose(measure_noise(pairs, ceiling=0.4).a, A, rtol=0.08)
    assert np.all(measure_noise(pairs).a < 0.95 * A)  # without the ceiling the flat tops pull it down


def test_fit_never_goes_negative():
    levels = np.linspace(0, 1, 400).astype(np.float32)
    slope, offset = fit_noise(levels, (1e-4 * (1 - 0.5 * levels)).astype(np.float32))
    assert slope == 0 and offset > 0


def test_equal_frames_raise():
    with pytest.raises(UnusableTake, match="no two consecutive frames differ"):
        measure_noise([(np.full((16, 16, 3), 0.1), np.full((16, 16, 3), 0.1))])


def test_patches_are_to_the_bit_what_passes_over_whole_pictures_give():
    rng = np.random.default_rng(3)
    first = rng.random((45, 70, 3)).astype(np.float32)
    second = first + 0.01 * rng.normal(size=first.shape).astype(np.float32)
    clipped = rng.random(first.shape[:2]) < 0.005

    def cut(picture):
        return picture[:40, :64].reshape(5, 8, 8, 8, -1).transpose(4, 0, 2, 1, 3).reshape(picture.shape[2], -1, 64)

    change = cut(first - second)
    shift = change.mean(-1)
    variance = 0.5 * (change - shift[..., None]).var(-1) * (64 / 63)
    good = ~cut(clipped[..., None]).any(-1)[0]
    assert 0 < good.sum() < 40
    expected = (cut(0.5 * (first + second)).mean(-1)[:, good], variance[:, good], shift[:, good])
    for found, plain in zip(measure_patches(first, second, 8, clipped=clipped), expected, strict=True):
        np.testing.assert_array_equal(found, plain)


def test_sigma_of_a_picture_is_the_models_to_the_bit():
    noise = NoiseModel(np.array([1e-4, 2e-4, 0]), np.array([1e-6, 0, 3e-6]))
    level = np.random.default_rng(4).normal(0.1, 0.3, (20, 30, 3)).astype(np.float32)
    level[3, 4] = np.nan
    found = sigma_at(noise, level)
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, noise.sigma(level))
