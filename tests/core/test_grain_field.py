"""Grain made anew has the strength, texture and likeness of the profile, and no two frames have anything in common."""

import numpy as np
import pytest
from grain_helpers import A, B, film, make_ramp, profile_of, soft_field
from scipy.stats import kurtosis

import lightstack.core.compiled as compiled
from lightstack.core.grain.field import find_kernel, unit_field
from lightstack.core.grain.topup import full_grain, top_up_grain

SIZE = (240, 320)


@pytest.fixture(scope="module")
def soft():
    return profile_of(make_ramp(), seed=51, field=soft_field)


@pytest.fixture(scope="module")
def white():
    return profile_of(make_ramp(), seed=52, bursts=4)


def correlate(first, second, most=3):
    """Slow twin: mean of products at lags 0 to ``most`` down and across."""
    h, w = first.shape
    return np.array([[np.mean(first[: h - y, : w - x] * second[y:, x:]) for x in range(most + 1)]
                     for y in range(most + 1)])  # fmt: skip


def test_texture_and_likeness_are_the_profiles(soft):
    # REFERENCE  the profile's own numbers; numpy. TOLERANCE  0.05.
    field = unit_field((480, 640), soft, seed=7, frame=1001).astype(float)
    for c in range(3):
        np.testing.assert_allclose(correlate(field[..., c], field[..., c]), soft.autocorrelation[c, 3:, 3:], atol=0.02)
    np.testing.assert_allclose(np.corrcoef(field.reshape(-1, 3).T), soft.channels, atol=0.02)
    assert np.abs(field.mean((0, 1))).max() < 0.01
    # REFERENCE  a normal distribution's kurtosis is 0. TOLERANCE  its standard error here is 0.01 and more if soft.
    assert np.abs(kurtosis(field.reshape(-1, 3))).max() < 0.1


def test_strength_at_every_level(white):
    # REFERENCE  the noise that was put into the measured take. TOLERANCE  5 % of sigma.
    level = make_ramp((256, 384), top=0.5).astype(np.float32)
    grains = np.stack([full_grain(level, white, seed=1, frame=k) for k in range(12)]).astype(float)
    power = (grains**2).mean(axis=0)
    for c in range(3):
        edges = np.quantile(level[..., c], np.linspace(0.1, 1, 9))
        for low, high in zip(edges[:-1], edges[1:], strict=True):
            here = (level[..., c] >= low) & (level[..., c] < high)
            made, truth = power[..., c][here].mean(), (A[c] * level[..., c][here] + B[c]).mean()
            assert np.sqrt(made / truth) == pytest.approx(1, abs=0.05)


def test_frames_seeds_and_fields_have_nothing_in_common(soft):
    # TOLERANCE  5 standard errors of a correlation over the pixels, widened by the texture.
    first = unit_field(SIZE, soft, seed=1, frame=1).astype(float)
    for other in ({"seed": 1, "frame": 2}, {"seed": 2, "frame": 1}, {"seed": 1, "frame": 1, "field": 1}):
        second = unit_field(SIZE, soft, **other)
        assert np.abs((first * second).mean((0, 1))).max() < 5 * np.sqrt(9 / first[..., 0].size)


def test_nothing_is_tiled(white):
    """The autocorrelation over the whole picture has no second peak."""
    field = unit_field((256, 256), white, seed=3, frame=9)[..., 1]
    spectrum = np.abs(np.fft.fft2(field)) ** 2
    around = np.fft.ifft2(spectrum).real / spectrum.mean()
    around[:4, :4] = around[-3:, :4] = around[:4, -3:] = around[-3:, -3:] = 0
    assert np.abs(around).max() < 6 / 256


def test_bytes_do_not_depend_on_threads_or_order(soft, monkeypatch):
    level = make_ramp((200, 320)).astype(np.float32)
    whole = full_grain(level, soft, seed=4, frame=11)
    full_grain(level, soft, seed=4, frame=10)
    monkeypatch.setattr(compiled, "usable_threads", lambda: 1)
    assert full_grain(level, soft, seed=4, frame=11).tobytes() == whole.tobytes()
    monkeypatch.setattr(compiled, "usable_threads", lambda: 7)
    monkeypatch.setattr(compiled, "LEAST_VALUES_PER_BAND", 1)
    assert full_grain(level, soft, seed=4, frame=11).tobytes() == whole.tobytes()


def test_relit_noise_is_a_truly_lit_takes_noise(white):
    # REFERENCE  frames filmed by the same camera model with the light really there. TOLERANCE  5 % per level.
    rng = np.random.default_rng(61)
    bare = make_ramp((256, 256), top=0.15)
    y = np.mgrid[:256, :256][0][..., None] / 256
    light = (bare * np.array([3.0, 0.5, 4.0]) * y + 0.01 * y).astype(np.float32)
    noise = []
    for k in range(12):
        hero = film(bare, rng)
        relit = hero + light
        noise.append(relit + top_up_grain(relit, hero, None, white, seed=5, frame=k) - (bare + light))
    power, lit = np.mean(np.square(noise), axis=0), bare + light
    for c in range(3):
        edges = np.quantile(lit[..., c], np.linspace(0.05, 1, 9))
        for low, high in zip(edges[:-1], edges[1:], strict=True):
            here = (lit[..., c] >= low) & (lit[..., c] < high)
            truth = (A[c] * lit[..., c][here] + B[c]).mean()
            assert np.sqrt(power[..., c][here].mean() / truth) == pytest.approx(1, abs=0.05)


def test_nothing_is_added_where_nothing_changed(white):
    hero = film(make_ramp(SIZE), np.random.default_rng(62))
    relit = hero.copy()
    relit[100:140, 50:90] += 0.1
    grain = top_up_grain(relit, hero, None, white, seed=1, frame=1)
    same = (relit == hero).all(axis=2)
    assert (grain[same] == 0).all() and (grain[~same] != 0).mean() > 0.99
    assert not top_up_grain(hero, hero, np.zeros(SIZE, np.float32), white, seed=1, frame=1).any()
    assert not full_grain(hero, white, seed=1, frame=1, amount=0.0).any()


def test_patches_get_what_they_have_not(white):
    # REFERENCE  variance = (1 - (1 - share)^2) of the camera's own. TOLERANCE  6 % of sigma.
    level = np.full((*SIZE, 3), 0.2, np.float32)
    for share in (1.0, 0.5):
        covered = np.full(SIZE, share, np.float32)
        grain = top_up_grain(level, level, covered, white, seed=2, frame=3).astype(float)
        truth = np.sqrt((1 - (1 - share) ** 2) * (A * 0.2 + B))
        np.testing.assert_allclose(grain.std((0, 1)), truth, rtol=0.06)


def test_light_taken_away_takes_no_grain_away(white):
    hero = np.full((*SIZE, 3), 0.3, np.float32)
    assert not top_up_grain(hero * 0.5, hero, None, white, seed=1, frame=1).any()


def test_kernels_are_those_of_published_filters():
    # REFERENCE  the autocorrelation of a binomial filter [1 2 1], by numpy.convolve. TOLERANCE  0.005.
    taps = np.array([1.0, 2.0, 1.0])
    line = np.convolve(taps, taps)
    row = np.zeros(7)
    row[1:6] = line / line.max()
    kernel = find_kernel(np.outer(row, row))
    padded = np.fft.ifft2(np.abs(np.fft.fft2(kernel, (16, 16))) ** 2).real
    np.testing.assert_allclose(np.roll(padded, (3, 3), (0, 1))[:7, :7], np.outer(row, row), atol=0.005)
    delta = np.zeros((7, 7))
    delta[3, 3] = 1
    np.testing.assert_allclose(find_kernel(delta), delta, atol=1e-3)


def test_what_is_no_autocorrelation_still_gives_a_kernel():
    rho = np.full((7, 7), -0.9)
    rho[3, 3] = 1
    kernel = find_kernel(rho)
    assert np.isfinite(kernel).all() and (kernel**2).sum() == pytest.approx(1)
