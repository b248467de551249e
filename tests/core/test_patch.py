"""Matching a patch to what lies around it, and laying it."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from lightstack.core.lay.patch import (
    RingRatio,
    blend_patch,
    carry_inwards,
    find_ring,
    find_usable,
    hold_changes,
    measure_change,
    measure_ratio,
    say_even,
)
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SIZE = (60, 80)
GAINS = np.array([1.4, 1.2, 0.9], np.float32)


def scene(seed=0):
    """A textured picture and a mask in its middle."""
    rng = np.random.default_rng(seed)
    picture = rng.uniform(0.05, 0.5, (*SIZE, 3)).astype(np.float32)
    mask = np.zeros(SIZE, np.float32)
    mask[20:40, 30:50] = 1
    return picture, mask


def film(picture, rng):
    return (picture + rng.standard_normal(picture.shape) * NOISE.sigma(picture)).astype(np.float32)


def whole():
    return np.ones(SIZE, bool), np.zeros(SIZE, bool)


def ratio_of(hero, patch):
    inside, clipped = whole()
    return measure_ratio(hero, patch, find_usable(patch, noise=NOISE, frames=16, inside=inside, clipped=clipped))


def test_the_ring_lies_outside_and_near():
    _, mask = scene()
    ring = find_ring(mask, width_px=4, gap_px=1)
    distance = distance_transform_edt(mask == 0)
    assert distance[ring].min() > 1 and distance[ring].max() <= 5.5
    assert ring.any() and not find_ring(np.zeros(SIZE), width_px=4).any()


def test_gains_are_found_from_noisy_frames_to_a_hundredth_of_a_stop():
    picture, mask = scene()
    rng = np.random.default_rng(1)
    hero = np.median([film(picture * GAINS, rng) for _ in range(24)], axis=0)
    patch = np.mean([film(picture, rng) for _ in range(12)], axis=0)
    ring = find_ring(mask, width_px=4)
    even = say_even(ratio_of(hero, patch), ring, np.ones(SIZE))
    # REFERENCE  a stop is a factor of two (ISO 2720).
    # TOLERANCE  some 150 pixels of 3 % noise, less over 24 frames: 0.005 stops.
    np.testing.assert_allclose(even, np.log2(GAINS), atol=0.01)


def test_what_only_one_picture_shows_does_not_pull_the_match():
    picture, mask = scene()
    hero = (picture * GAINS).copy()
    hero[41:47, 30:36] *= 6  # something bright at the ring, in the hero alone
    even = say_even(ratio_of(hero, picture), find_ring(mask, width_px=5), np.ones(SIZE))
    np.testing.assert_allclose(even, np.log2(GAINS), atol=0.005)


def test_dark_and_clipped_places_say_nothing():
    picture, mask = scene()
    picture[:, :40] = 1e-4
    inside, clipped = whole()
    clipped[:, 60:] = True
    usable = find_usable(picture, noise=NOISE, frames=16, inside=inside, clipped=clipped)
    assert not usable[:, :40].any() and not usable[:, 60:].any() and usable[:, 40:60].mean() > 0.99
    nothing = find_usable(picture * 0, noise=NOISE, frames=16, inside=inside, clipped=clipped)
    assert np.isnan(say_even(RingRatio(picture * 0, nothing), find_ring(mask, width_px=4), np.ones(SIZE))).all()


def test_a_change_of_exposure_is_measured_with_its_error():
    picture, mask = scene()
    ratio, ring = ratio_of(picture * GAINS, picture), find_ring(mask, width_px=4)
    rng = np.random.default_rng(2)
    found = [measure_change(film(picture * GAINS * 1.1, rng), picture, ratio, ring, noise=NOISE) for _ in range(40)]
    off = np.array([change - np.log2(1.1) for change, _ in found])
    # TOLERANCE  the error it states, within a half of what 120 values show
    assert 0.5 < off.std() / np.median([error for _, error in found]) < 1.5
    assert abs(off.mean()) < 0.004


def test_somebody_at_the_ring_is_no_change_of_exposure():
    picture, mask = scene()
    ratio, ring = ratio_of(picture * GAINS, picture), find_ring(mask, width_px=4)
    frame = film(picture * GAINS, np.random.default_rng(3))
    frame[:, 42:] *= 0.3
    change, error = measure_change(frame, picture, ratio, ring, noise=NOISE)
    assert np.isnan(change).all() and np.isinf(error)


def test_noise_is_not_followed_but_flicker_is():
    rng = np.random.default_rng(4)
    still = hold_changes(rng.normal(0, 0.01, (60, 3)), np.full(60, 0.01))
    assert still.std() < 0.005  # half of the noise it was given
    beat = 0.1 * np.sin(np.arange(60) / 2)[:, None] + rng.normal(0, 0.01, (60, 3))
    assert np.abs(hold_changes(beat, np.full(60, 0.01)) - 0.1 * np.sin(np.arange(60) / 2)[:, None]).mean() < 0.02


def test_frames_without_a_measure_run_between_the_others():
    changes = np.full((11, 3), np.nan)
    changes[:5], changes[8:] = -0.5, 0.5
    held = hold_changes(changes, np.full(11, 1e-4))
    assert np.all(np.diff(held[:, 0]) >= -1e-9) and np.isfinite(held).all()
    np.testing.assert_array_equal(hold_changes(np.full((4, 3), np.nan), np.full(4, np.inf)), np.zeros((4, 3)))


def test_a_constant_is_carried_exactly():
    ring = find_ring(scene()[1], width_px=3)
    field = np.broadcast_to(np.float32([0.3, -1, 2]), (*SIZE, 3)).astype(np.float32)
    np.testing.assert_allclose(carry_inwards(field, ring), field, atol=1e-5)


def test_the_field_inside_is_near_the_membrane_over_the_ring():
    mask = scene()[1]
    ring, inside = find_ring(mask, width_px=3, gap_px=0), mask > 0
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    stops = (0.02 * x - 0.03 * y + 0.2 * np.sin(x / 6)).astype(np.float32)
    field = carry_inwards(stops[..., None].repeat(3, 2), ring)[..., 0]
    # REFERENCE  the solution of Laplace's equation with the ring as border, by sparse elimination (SciPy).
    # TOLERANCE  pull-push is a fast approximation of it: a tenth of the field's range.
    membrane = solve_membrane(stops, inside)
    assert np.abs(field - membrane)[inside].max() < 0.12 * np.ptp(stops[ring])
    assert field[inside].min() >= stops[ring].min() - 0.02 and field[inside].max() <= stops[ring].max() + 0.02


def solve_membrane(values, inside):
    """Laplace's equation over ``inside``, its border held at ``values``."""
    number = np.full(values.shape, -1)
    number[inside] = np.arange(inside.sum())
    matrix, right = lil_matrix((inside.sum(), inside.sum())), np.zeros(inside.sum())
    for row, column in np.argwhere(inside):
        k = number[row, column]
        matrix[k, k] = 4
        for near in ((row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)):
            if inside[near]:
                matrix[k, number[near]] = -1
            else:
                right[k] += values[near]
    out = values.astype(float).copy()
    out[inside] = spsolve(matrix.tocsr(), right)
    return out


def test_the_hero_stays_bit_for_bit_where_the_mask_is_empty():
    picture, mask = scene()
    hero = np.random.default_rng(6).normal(0, 1, (*SIZE, 3)).astype(np.float32)
    laid = blend_patch(hero, picture, mask, gain=GAINS)
    assert np.array_equal(laid[mask == 0], hero[mask == 0])
    np.testing.assert_array_equal(laid[mask == 1], (picture * GAINS)[mask == 1])
    box = (slice(20, 40), slice(30, 50))
    boxed = blend_patch(hero, picture[box], mask[box], gain=GAINS, rows=box[0], columns=box[1])
    np.testing.assert_array_equal(boxed, laid)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.9])
def test_a_share_mixes_light_as_a_fade_does(share):
    picture, mask = scene()
    hero = picture[::-1].copy()
    laid = blend_patch(hero, picture, mask * np.float32(share), gain=np.ones(3, np.float32))
    inside = mask > 0
    # REFERENCE  Porter and Duff 1984: A over B with coverage a is a A + (1 - a) B in linear light.
    np.testing.assert_allclose(laid[inside], (share * picture + (1 - share) * hero)[inside], rtol=1e-5, atol=1e-7)
