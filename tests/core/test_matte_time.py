"""Frames averaged where nothing moves."""

import numpy as np

from lightstack.core.matte.over_time import average_still, mark_still
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))


def film(light, seed):
    rng = np.random.default_rng(seed)
    return (light + NOISE.sigma(light) * rng.standard_normal(light.shape)).astype(np.float32)


def test_still_frames_lose_noise_as_a_mean_of_five():
    light = np.full((60, 80, 3), 0.3, np.float32)
    frames = [film(light, k) for k in range(5)]
    mean, share = average_still(frames, 2, NOISE)
    # REFERENCE  the variance of a mean of five is a fifth.
    # TOLERANCE  4,800 pixels; weights are a little under 1 here and there.
    assert share.mean() < 0.22
    assert (mean - light).var() / (frames[2] - light).var() < 0.23


def test_what_moves_is_left_as_filmed():
    frames = []
    for k in range(5):
        light = np.full((60, 80, 3), 0.3, np.float32)
        light[20:40, 10 + 12 * k : 20 + 12 * k] = 0.05
        frames.append(film(light, k))
    mean, share = average_still(frames, 2, NOISE)
    np.testing.assert_allclose(mean[24:36, 36:42], frames[2][24:36, 36:42], atol=1e-6)
    assert share[24:36, 36:42].min() > 0.99


def test_stillness_is_the_same_both_ways():
    light = np.full((30, 30, 3), 0.2, np.float32)
    one, two = film(light, 1), film(light * 1.2, 2)
    np.testing.assert_allclose(mark_still(one, two, NOISE), mark_still(two, one, NOISE), atol=1e-5)
    assert mark_still(one, two, NOISE).mean() < 0.01
