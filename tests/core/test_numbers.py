"""Pictures with values that are no numbers."""

import numpy as np
import pytest

from lightstack.core.numbers import median_of, only_numbers


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
