"""Pictures with values that are no numbers; medians, sums and means as numpy has them."""

import numpy as np
import pytest

from lightstack.core.numbers import mean_channels, median_of, only_numbers, sum_channels


def test_what_is_no_number_becomes_black_and_a_sound_picture_is_not_copied():
    sound = np.random.default_rng(1).normal(size=(5, 7, 3)).astype(np.float32)
    assert only_numbers(sound) is sound
    broken = sound.copy()
    broken[1, 2, 0], broken[3, 3, 1], broken[4, 6, 2] = np.nan, np.inf, -np.inf
    expected = np.where(np.isfinite(broken), broken, 0)
    np.testing.assert_array_equal(only_numbers(broken), expected)
    assert only_numbers(broken).dtype == np.float32


def test_large_numbers_whose_sum_is_none_stay():
    large = np.full((4, 4), 3e38, np.float32)
    np.testing.assert_array_equal(only_numbers(large), large)


@pytest.mark.parametrize("count", [1, 2, 5, 6, 15])
def test_the_median_is_numpys_to_the_bit(count):
    pictures = list(np.random.default_rng(count).normal(size=(count, 9, 11, 3)).astype(np.float32))
    pictures[0][2, 3, 1] = np.nan
    expected = np.median(np.stack(pictures), axis=0)
    found = median_of(pictures)
    assert found.dtype == expected.dtype
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("count", range(1, 8))
def test_sums_and_means_over_channels_are_numpys_to_the_bit(count, kind):
    picture = np.random.default_rng(count).normal(size=(9, 11, count)).astype(kind)
    for one in (picture, picture[::2, 1:], np.asfortranarray(picture), picture[0, 0]):
        for ours, theirs in ((sum_channels(one), one.sum(-1)), (mean_channels(one), one.mean(-1))):
            np.testing.assert_array_equal(ours, theirs)
            assert ours.dtype == theirs.dtype and ours.shape == theirs.shape
    assert not np.shares_memory(sum_channels(picture), picture)
