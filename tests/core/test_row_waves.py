"""The periodogram of row profiles against outside ones."""

import numpy as np
import pytest
from scipy.signal import lombscargle

from lightstack.core.check.row_waves import (
    fit_background,
    hann_at,
    join_channels,
    measure_height,
    measure_power,
    split_segments,
    take_middle_off,
    weigh_profile,
    whiten_profile,
)


def make_profile(rng, times, *, hz=4.0, bands=0.0, height=0.01, noise=0.005, shape=(24, 3, 3)):
    down = (np.arange(shape[0]) + 0.5) / shape[0]
    wave = height * np.cos(2 * np.pi * (hz * times[:, None] + bands * down) + 0.4)
    return wave[:, :, None, None] + noise * rng.standard_normal((len(times), *shape))


def test_power_peaks_where_the_lomb_periodogram_does_on_uneven_times():
    # REFERENCE  scipy.signal.lombscargle of the frames' means at the same frequencies.
    # TOLERANCE  one step of our grid: rate / (4 n) = 0.05 Hz.
    rng = np.random.default_rng(1)
    times = np.sort(rng.uniform(0, 5, 120))
    profile = make_profile(rng, times, hz=3.3)
    joined = join_channels(weigh_profile(take_middle_off(profile), lasting=True))
    power, frequencies, waves, _ = measure_power(joined, times, 24.0)
    mean = profile.mean(axis=(1, 2, 3))
    outside = lombscargle(times, mean - mean.mean(), 2 * np.pi * frequencies)
    ours = power[:, np.argmin(np.abs(waves))]
    assert abs(frequencies[np.argmax(ours)] - frequencies[np.argmax(outside)]) <= 0.06


def test_even_times_go_the_fast_way_to_the_same_power():
    rng = np.random.default_rng(2)
    times = np.arange(96) / 24
    joined = make_profile(rng, times, bands=1.5).mean(axis=-1)
    fast, frequencies, waves, _ = measure_power(joined, times, 24.0)
    slow, *_ = measure_power(joined, times + np.where(np.arange(96) == 50, 0.11 / 24, 0), 24.0)  # off the grid
    at = np.unravel_index(np.argmax(fast), fast.shape)
    np.testing.assert_allclose(slow[at], fast[at], rtol=0.02)
    twin = sum(np.abs(measure_height(joined, times, frequencies[at[0]], waves[at[1]])) ** 2)
    np.testing.assert_allclose(fast[at], twin, rtol=1e-6)


def test_height_of_a_wave_is_half_its_amplitude():
    times = np.arange(120) / 24
    joined = make_profile(np.random.default_rng(3), times, hz=4.0, bands=2.0, noise=0).mean(axis=-1)
    np.testing.assert_allclose(2 * np.abs(measure_height(joined, times, 4.0, 2.0)), 0.01, rtol=1e-3)
    np.testing.assert_allclose(np.abs(measure_height(joined, times, 9.0, 2.0)), 0, atol=2e-5)


def test_background_of_noise_is_its_mean_power():
    # REFERENCE  white noise has the same mean power at every frequency (Scargle 1982).
    # TOLERANCE  a factor of 2.5: a fit to logarithms, meant to be on the safe side.
    rng = np.random.default_rng(4)
    times = np.arange(120) / 24
    power, frequencies, _, _ = measure_power(rng.standard_normal((120, 24, 3)), times, 24.0)
    background = fit_background(power[4:], frequencies[4:])
    ratio = background.mean() / power[4:].mean()
    assert 0.8 < ratio < 2.5


def test_background_follows_a_slope_and_leaves_a_line_out():
    rng = np.random.default_rng(5)
    frequencies = np.arange(1, 201) * 0.06
    power = rng.exponential(size=(200, 4)) / frequencies[:, None] ** 2
    without = fit_background(power, frequencies)
    power[100] *= 500
    np.testing.assert_allclose(fit_background(power, frequencies)[100], without[100], rtol=0.2)


def test_whitening_takes_slow_light_out_and_keeps_the_wave():
    times = np.arange(120) / 24
    slow = 0.4 * np.sin(2 * np.pi * 0.2 * times)[:, None, None, None]
    wave = make_profile(np.random.default_rng(6), times, hz=6.0, noise=1e-5)
    waves = whiten_profile(wave + slow, times)
    assert waves.gain(6.0, 24.0) == pytest.approx(1.0)
    inner = waves.values[1:-1].mean(axis=(1, 2, 3))
    np.testing.assert_allclose(np.sqrt(2) * inner.std(), 0.01, rtol=0.05)


def test_whoever_walks_through_weighs_nothing():
    rng = np.random.default_rng(7)
    profile = make_profile(rng, np.arange(96) / 24)
    profile[40:44, 3:9, 1] -= 1.5
    waves = whiten_profile(profile, np.arange(96) / 24)
    assert np.abs(waves.values).max() < 0.1


def test_segments_cover_a_long_take_and_have_a_window():
    times = np.arange(24 * 40) / 24
    pieces = split_segments(times)
    assert set(np.concatenate(pieces)) == set(range(len(times)))
    assert all(times[p[-1]] - times[p[0]] <= 12.01 for p in pieces)
    window = hann_at(times[pieces[0]])
    assert window.min() >= 0
    np.testing.assert_allclose(window.mean(), 0.5, rtol=0.02)
