"""Weights of lamp stills for a target, against pictures made from known weights and against scipy's NNLS."""

import numpy as np
import pytest
from scipy.optimize import nnls

from lightstack.core.lamp.match import impute, match_target, solve_normal
from lightstack.errors import SettingError

SIZE = (18, 32)


def make_stills(count=8, seed=1):
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] / SIZE[1]
    texture = rng.uniform(0.4, 1.0, (*SIZE, 3))
    centres = np.column_stack([np.linspace(0.05, 0.95, count), rng.uniform(0.1, 0.5, count)])
    light = [0.02 / ((x - a) ** 2 + (y - b) ** 2 + 0.04) for a, b in centres]
    return np.stack(light)[..., None] * texture, centres


def test_known_weights_are_found_again():
    stills, _ = make_stills()
    ambient = np.full((*SIZE, 3), 0.03)
    truth = np.array([0, 0.7, 0, 0, 1.3, 0, 0.2, 0])
    target = ambient + np.einsum("k,khwc->hwc", truth, stills)
    match = match_target(stills, np.ones((8, *SIZE)), target, ambient=ambient)
    np.testing.assert_allclose(match.weights, truth, atol=2e-3)
    assert match.lit
    assert match.error < 1e-3
    np.testing.assert_allclose(match.reached, target - ambient, atol=1e-3)
    assert np.nanmax(np.abs(match.missed_stops)) < 0.02


def test_noise_moves_the_weights_little():
    # TOLERANCE  stills with 1 % noise over 576 places; 5 % of a weight.
    rng = np.random.default_rng(2)
    stills, _ = make_stills()
    truth = np.array([0, 0.7, 0, 0, 1.3, 0, 0.2, 0])
    target = np.einsum("k,khwc->hwc", truth, stills)
    noisy = stills + rng.normal(0, 0.01 * stills.mean(), stills.shape)
    match = match_target(noisy, np.ones((8, *SIZE)), target, ambient=np.zeros((*SIZE, 3)), sparsity=1e-3)
    np.testing.assert_allclose(match.weights, truth, atol=0.05)


def test_a_black_target_gives_no_light_and_says_so():
    stills, _ = make_stills()
    ambient = np.full((*SIZE, 3), 0.03)
    match = match_target(stills, np.ones((8, *SIZE)), np.zeros((*SIZE, 3)), ambient=ambient)
    np.testing.assert_array_equal(match.weights, 0)
    np.testing.assert_array_equal(match.reached, 0)
    assert not match.lit
    assert not match.used.any()


def test_what_no_lamp_lights_is_told_in_stops():
    stills, _ = make_stills()
    stills[:, :, 24:] = 0
    target = stills[2].copy()
    target[:, 24:] = 0.3
    match = match_target(stills, np.ones((8, *SIZE)), target, ambient=np.zeros((*SIZE, 3)))
    assert (match.missed_stops[:, 24:] > 3).all()
    assert np.abs(match.missed_stops[:, :24]).max() < 0.5


def test_one_gel_for_all_stills():
    stills, _ = make_stills()
    truth, gel = np.array([0, 0.7, 0, 0, 1.3, 0, 0, 0]), np.array([1.0, 0.4, 0.1])
    target = np.einsum("k,khwc->hwc", truth, stills) * gel
    match = match_target(stills, np.ones((8, *SIZE)), target, ambient=np.zeros((*SIZE, 3)), gel=True)
    np.testing.assert_allclose(match.weights, truth[:, None] * gel, atol=0.02)


def test_sparsity_leaves_stills_out():
    rng = np.random.default_rng(5)
    stills, _ = make_stills()
    target = stills.mean(0) * rng.uniform(0.8, 1.2, (*SIZE, 1))
    ambient, valid = np.zeros((*SIZE, 3)), np.ones((8, *SIZE))
    counts = [match_target(stills, valid, target, ambient=ambient, sparsity=s).used.sum() for s in (0, 0.2, 0.6)]
    assert counts[0] > counts[1] >= counts[2] >= 1


def test_smoothness_makes_neighbours_alike():
    stills, centres = make_stills()
    target = stills[3]
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    ambient, valid = np.zeros((*SIZE, 3)), np.ones((8, *SIZE))
    smooth = match_target(stills, valid, target, ambient=ambient, smoothness=1.0, distances=apart).weights
    assert smooth[2] > 0 or smooth[4] > 0
    assert smooth[3] < 1


def test_covered_places_hardly_matter():
    stills, _ = make_stills()
    truth = np.array([0, 0.7, 0, 0, 1.3, 0, 0.2, 0])
    target = np.einsum("k,khwc->hwc", truth, stills)
    valid = np.ones((8, *SIZE))
    valid[4, 4:12, 10:16] = 0
    covered = np.where(valid[..., None] > 0, stills, 5.0)
    match = match_target(covered, valid, target, ambient=np.zeros((*SIZE, 3)))
    np.testing.assert_allclose(match.weights, truth, atol=0.1)


def test_the_normal_equations_are_scipys_nnls():
    # REFERENCE  scipy.optimize.nnls on the plain problem. TOLERANCE  squaring the condition, 1e-8.
    rng = np.random.default_rng(7)
    for _ in range(20):
        a, b = rng.normal(0, 1, (30, 6)), rng.normal(0, 1, 30)
        np.testing.assert_allclose(solve_normal(a.T @ a, a.T @ b), nnls(a, b)[0], atol=1e-8)


def test_made_up_light_has_the_stills_own_level():
    columns = np.stack([np.full((6, 3), 1.0), np.full((6, 3), 3.0)])
    valid = np.ones((2, 6))
    valid[1, 2] = 0
    made, trust = impute(columns, valid)
    assert trust[1, 2] == 0
    np.testing.assert_allclose(made[1, 2], 1.5, rtol=0.05)  # the only one open there, at the other's level over all


@pytest.mark.parametrize("change", ["target", "weight", "mask"])
def test_pictures_that_do_not_fit_are_refused(change):
    stills, _ = make_stills()
    target = np.zeros((*SIZE, 3)) if change != "target" else np.zeros((4, 4, 3))
    weight = {"weight": np.ones((3, 3)), "mask": np.zeros(SIZE)}.get(change)
    with pytest.raises(SettingError):
        match_target(stills, np.ones((8, *SIZE)), target, ambient=np.zeros((*SIZE, 3)), weight=weight)
