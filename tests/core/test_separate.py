"""How far each pixel of a lamp still may be believed."""

import numpy as np
import pytest

from lightstack.core.sweep.separate import combine_validity, soften_inward


def test_ramp_lies_inside_the_mask():
    mask = np.ones((20, 30), bool)
    mask[:, :10] = False
    soft = soften_inward(mask, radius=2)
    assert not soft[~mask].any()
    np.testing.assert_allclose(soft[10, 10:13], [0.6, 0.8, 1.0], atol=1e-6)
    assert (soft[:, 12:] == 1).all()  # the picture's own edge is no border
    np.testing.assert_array_equal(soften_inward(mask, radius=0), mask)


def test_validity_needs_all_of_its_parts():
    unblocked = np.ones((8, 8), np.float32)
    unblocked[0] = 0
    inside = np.ones((8, 8), bool)
    inside[:, 0] = False
    clipped = np.zeros((8, 8), bool)
    clipped[4, 4] = True
    valid = combine_validity(unblocked, inside, clipped)
    assert not valid[0].any()
    assert not valid[:, 0].any()
    assert valid[4, 4] == 1  # a clipped reading is the least that was there
    assert combine_validity(unblocked, inside, clipped, clipped_weight=0.25)[4, 4] == 0.25
    assert valid.dtype == np.float32


def test_a_bool_mask_is_taken_as_it_is_unless_a_ramp_is_asked_for():
    mask = np.ones((9, 9), bool)
    mask[:, :3] = False
    np.testing.assert_array_equal(combine_validity(mask), mask)
    assert combine_validity(mask, radius=1)[4, 3] == pytest.approx(2 / 3)
