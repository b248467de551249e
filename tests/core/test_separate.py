"""A frame minus the ambient."""

import numpy as np
import pytest

from lightstack.core.separate import combine_validity, separate_light, soften_inward


def test_light_is_what_the_lamp_added():
    rng = np.random.default_rng(1)
    ambient, lamp = rng.random((2, 6, 7, 3)).astype(np.float32)
    light = separate_light(ambient + lamp, ambient)
    assert light.dtype == np.float32
    np.testing.assert_allclose(light, lamp, atol=1e-6)


def test_drift_is_divided_out_before_the_ambient_is_taken_off():
    rng = np.random.default_rng(2)
    ambient, lamp = rng.random((2, 6, 7, 3)).astype(np.float32)
    gain = np.array([1.1, 0.95, 1.02])
    light = separate_light(((ambient + lamp) * gain).astype(np.float32), ambient, drift=gain)
    np.testing.assert_allclose(light, lamp, atol=1e-6)


def test_negatives_are_kept():
    assert separate_light(np.zeros((1, 1, 3), np.float32), np.full((1, 1, 3), 0.5, np.float32)).max() == -0.5


def test_superposition():
    # REFERENCE  light is additive (Petschnigg et al. 2004): the light of two lamps is the sum of each one's.
    # TOLERANCE  float32, 1e-6.
    rng = np.random.default_rng(3)
    ambient, one, two = rng.random((3, 5, 5, 3)).astype(np.float32)
    both = separate_light(ambient + one + two, ambient)
    np.testing.assert_allclose(
        both, separate_light(ambient + one, ambient) + separate_light(ambient + two, ambient), atol=1e-6
    )


def test_wrong_shapes_and_gains_are_refused():
    with pytest.raises(ValueError, match="ambient"):
        separate_light(np.zeros((2, 2, 3), np.float32), np.zeros((2, 3, 3), np.float32))
    with pytest.raises(ValueError, match="above 0"):
        separate_light(np.zeros((2, 2, 3), np.float32), np.zeros((2, 2, 3), np.float32), drift=[1, 0, 1])


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
