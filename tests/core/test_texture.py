import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.register.texture import luma_noise, mean_luma, normalise_texture
from lightstack.records import NoiseModel


def surface(seed=0, size=(60, 90)):
    rng = np.random.default_rng(seed)
    return np.float32(0.2 + 0.5 * ndimage.gaussian_filter(rng.random(size), 1.0))


def texture_by_hand(luma, sigma):
    """The same with loops over squares, float64."""
    held = np.maximum(luma, 0).astype(np.float64) + max(2 * sigma, 1e-6)
    log = ndimage.gaussian_filter(np.log(held), 0.7, mode="mirror", truncate=2.5)
    out = np.zeros(luma.shape)
    for row in range(10, luma.shape[0] - 10):
        for column in range(10, luma.shape[1] - 10):
            square = log[row - 5 : row + 6, column - 5 : column + 6]
            grain = 2 * (sigma / held[row, column]) ** 2 / (4 * np.pi * 0.7**2)
            out[row, column] = (log[row, column] - square.mean()) / np.sqrt(square.var() + grain + 0.02**2)
    return out[10:-10, 10:-10]


def test_matches_the_slow_twin():
    luma = surface()
    got = normalise_texture(luma, noise_sigma=0.004)[10:-10, 10:-10]
    np.testing.assert_allclose(got, texture_by_hand(luma, 0.004), atol=0.02)


def test_a_smooth_light_leaves_the_texture_nearly_alone():
    luma = surface()
    y, x = np.mgrid[0:60, 0:90]
    light = np.float32(5000 / ((x - 30) ** 2 + (y - 20) ** 2 + 3600))
    plain, lit = (normalise_texture(p, noise_sigma=1e-4) for p in (luma, luma * light))
    assert np.corrcoef(plain.ravel(), lit.ravel())[0, 1] > 0.98


def test_brightness_cancels_and_noise_is_shrunk():
    luma = surface()
    one, two = normalise_texture(luma, noise_sigma=1e-6), normalise_texture(luma * 8, noise_sigma=8e-6)
    np.testing.assert_allclose(one, two, atol=1e-3)
    grain = 0.01 * np.random.default_rng(1).standard_normal((60, 90)).astype(np.float32) + 0.2
    known = normalise_texture(grain, noise_sigma=0.01)
    assert known.std() < 0.7 < normalise_texture(grain, noise_sigma=1e-5).std()


def test_black_nan_and_inf_stay_finite():
    luma = surface()
    luma[5, 5], luma[6, 6], luma[20:40] = np.nan, np.inf, -1.0
    assert np.isfinite(normalise_texture(luma, noise_sigma=0.0)).all()
    assert (normalise_texture(np.zeros((20, 20)), noise_sigma=0.001) == 0).all()


@pytest.mark.parametrize("dtype", [np.float16, np.float32, np.float64])
def test_mean_luma_of_every_shape(dtype):
    picture = np.random.default_rng(0).random((4, 5, 3)).astype(dtype)
    want = picture.astype(np.float64) @ [0.3, 0.5, 0.2]
    np.testing.assert_allclose(mean_luma(picture), want, rtol=1e-5)
    np.testing.assert_array_equal(mean_luma(picture[..., 0]), picture[..., 0].astype(np.float32))
    np.testing.assert_array_equal(mean_luma(picture[..., :1]), picture[..., 0].astype(np.float32))


def test_luma_noise_is_what_noise_does():
    noise = NoiseModel(np.array([1e-4, 2e-4, 3e-4]), np.array([1e-6, 2e-6, 1e-6]))
    rng = np.random.default_rng(3)
    frames = 0.3 + rng.standard_normal((40000, 1, 3)) * noise.sigma(np.full(3, 0.3))
    black, sigma = luma_noise(noise, np.full((1, 1), 0.3))
    assert sigma[0, 0] == pytest.approx(mean_luma(frames).std(), rel=0.02)
    assert black < sigma[0, 0]
