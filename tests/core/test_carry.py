"""What is known carried on to what is not."""

import numpy as np
from scipy.ndimage import distance_transform_edt

from lightstack.core.matte.carry import carry_nearest, carry_soft, find_nearest


def test_every_pixel_shows_the_nearest_known_one():
    # REFERENCE  scipy.ndimage.distance_transform_edt, exact Euclidean distances.
    # TOLERANCE  the 5 x 5 chamfer distance picks a neighbour at most 3 % farther away.
    rng = np.random.default_rng(2)
    known = rng.random((40, 60)) > 0.97
    index = find_nearest(known)
    assert known.ravel()[index].all()
    y, x = np.mgrid[:40, :60]
    own = np.hypot(y - index // 60, x - index % 60)
    np.testing.assert_array_less(own, 1.03 * distance_transform_edt(~known) + 0.5)


def test_known_pixels_stay_and_whole_or_blank_masks_change_nothing():
    picture = np.random.default_rng(1).random((8, 9, 3)).astype(np.float32)
    known = np.ones((8, 9), bool)
    assert carry_nearest(picture, known) is picture
    np.testing.assert_array_equal(carry_nearest(picture, ~known), picture)
    known[:, 6:] = False
    carried = carry_nearest(picture, known)
    np.testing.assert_array_equal(carried[:, :6], picture[:, :6])
    np.testing.assert_array_equal(carried[:, 6:], np.repeat(picture[:, 5:6], 3, 1))


def test_carrying_at_a_fraction_of_the_size_is_carrying_at_full_size():
    rng = np.random.default_rng(3)
    mass = np.zeros((96, 120), np.float32)
    mass[30:70, 20:60] = 1
    picture = np.linspace(0.1, 0.6, 120, dtype=np.float32)[None, :, None] * np.ones((96, 1, 3), np.float32)
    picture *= 1 + 0.02 * rng.standard_normal(picture.shape).astype(np.float32)
    small = carry_soft(picture, mass, sigmas=(1.5, 4.0), reach=4)
    full = carry_soft(picture, mass, sigmas=(6.0, 16.0), reach=1)
    near = np.s_[26:74, 16:64]
    np.testing.assert_allclose(small[near], full[near], rtol=0.04)
