"""Pixels of a band as a list: their order, their neighbours, and arithmetic that equals that on whole pictures."""

import cv2
import numpy as np
import pytest

from lightstack.core.matte.band import FIGURE, SET, average_band, list_band, pick, sample
from lightstack.core.matte.over_time import average_still
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))


def make_band(seed, size=(13, 17)):
    """A ragged band that reaches the picture's border, and sure figure beside it."""
    rng = np.random.default_rng(seed)
    band = rng.uniform(0, 1, size) < 0.5
    return band, (rng.uniform(0, 1, size) < 0.3) & ~band


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_neighbours_are_those_of_the_picture(seed):
    mask, sure = make_band(seed)
    band = list_band(mask, sure)
    np.testing.assert_array_equal((band.rows, band.columns), np.nonzero(mask))
    number = np.where(sure, FIGURE, SET)
    number[mask] = np.arange(len(band))
    for i, (y, x) in enumerate(zip(band.rows, band.columns, strict=True)):
        for n, (v, u) in enumerate(((y, x - 1), (y, x + 1), (y - 1, x), (y + 1, x))):
            outside = not (0 <= v < mask.shape[0] and 0 <= u < mask.shape[1])
            assert band.beside[i, n] == (i if outside else number[v, u])


def test_an_empty_band_is_an_empty_list():
    assert len(list_band(*np.zeros((2, 5, 6), bool))) == 0


@pytest.mark.parametrize("form", [np.float32, np.float16])
def test_the_band_is_averaged_as_whole_pictures_are(form):
    rng = np.random.default_rng(4)
    frames = []
    for k in range(5):
        light = np.full((24, 32, 3), 0.3, np.float32)
        light[6:16, 4 + 4 * k : 9 + 4 * k] = 0.05
        frames.append((light + NOISE.sigma(light) * rng.standard_normal(light.shape)).astype(form))
    mask, sure = make_band(5, (24, 32))
    band = list_band(mask, sure)
    mean, share = average_band(frames, 2, NOISE, band, shape=mask.shape)
    whole, left = average_still([f.astype(np.float32) for f in frames], 2, NOISE)
    # TOLERANCE  float32 against float64: at the foot of a ramp from still to moved.
    np.testing.assert_allclose(mean, whole[mask], atol=1e-4)
    np.testing.assert_allclose(share, left[mask], atol=1e-3)


def test_half_floats_are_widened_and_others_kept():
    picture = np.random.default_rng(6).uniform(0, 1, (5, 6, 3)).astype(np.float16)
    rows, columns = np.array([0, 4, 2], np.int32), np.array([1, 5, 2], np.int32)
    for one in (picture, picture.astype(np.float64)):
        assert pick(one, rows, columns).dtype == np.float32
        np.testing.assert_array_equal(pick(one, rows, columns), picture[rows, columns].astype(np.float32))


def test_smaller_pictures_are_sampled_as_a_general_library_enlarges_them():
    small = np.random.default_rng(7).uniform(0, 1, (6, 8, 3)).astype(np.float32)
    # REFERENCE  OpenCV, linear. TOLERANCE  float32.
    large = cv2.resize(small, (24, 18), interpolation=cv2.INTER_LINEAR)
    rows, columns = (axis.ravel().astype(np.int32) for axis in np.mgrid[0:18, 0:24])
    np.testing.assert_allclose(sample(small, rows, columns, (3, 3)), large.reshape(-1, 3), atol=1e-5)
