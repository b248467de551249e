"""How the set is lit in a frame: gains found beside and beneath a figure."""

import numpy as np
from scipy.ndimage import gaussian_filter

from lightstack.core.matte.light import carry_on, compare_logs, fit_drift, fit_held_light, prepare_set, strayed
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 2e-4), np.full(3, 2e-6))


def make_wall(seed, size=(96, 144)):
    """A set with texture, linear light."""
    rng = np.random.default_rng(seed)
    texture = gaussian_filter(rng.normal(0, 1, (*size, 3)), (1.5, 1.5, 0))
    return (0.25 * np.exp(0.6 * texture / texture.std() * 0.5)).astype(np.float32)


def film(light, seed):
    rng = np.random.default_rng(seed)
    return (light + NOISE.sigma(light) * rng.standard_normal(light.shape)).astype(np.float32)


def test_a_gain_is_its_own_logarithm():
    wall = make_wall(61)
    known = prepare_set(wall, NOISE)
    # the floor that is added before the logarithm bends it by floor / light, under 3 % here
    np.testing.assert_allclose(compare_logs(wall * 1.5, known), np.log(1.5), atol=0.03)
    assert np.isfinite(compare_logs(np.full_like(wall, np.nan), known)).all()


def test_a_slow_gain_is_found_beneath_a_figure():
    wall = make_wall(62)
    y, x = np.mgrid[0:96, 0:144] / 144
    gain = np.exp(0.3 * np.sin(3 * x + 2 * y))[..., None] * np.array([1.1, 1.0, 0.85])
    frame = film((wall * gain).astype(np.float32), 1)
    frame[20:90, 60:90] = [0.5, 0.1, 0.05]
    known = prepare_set(wall, NOISE)
    fitted = fit_drift(compare_logs(frame, known), known)
    off = np.abs(fitted - np.log(gain))
    assert off[:, :50].mean() < 0.03
    assert off[20:90, 60:90].mean() < 0.12  # carried on from both sides


def test_light_that_differs_all_the_time_is_held_and_whoever_passes_is_not():
    wall = make_wall(63)
    known = prepare_set(wall, NOISE)
    lit = wall * np.array([1.3, 1.0, 0.8], np.float32)
    differences = []
    for k in range(7):
        frame = film(lit, k)
        frame[30:80, 10 + 18 * k : 28 + 18 * k] = 0.02
        differences.append(compare_logs(frame, known))
    held, relit = fit_held_light(differences, known)
    np.testing.assert_allclose(held.mean((0, 1)), np.log([1.3, 1.0, 0.8]), atol=0.03)
    assert np.abs(held - np.log([1.3, 1.0, 0.8])).max() < 0.25
    assert relit.max() == 0


def test_light_from_elsewhere_may_change_the_relief_and_somebody_who_sways_does_not():
    wall, other = make_wall(64), make_wall(65)
    known = prepare_set(wall, NOISE)
    differences = []
    for k in range(9):
        lit = wall.copy()
        lit[20:50, 20:60] = 1.8 * other[20:50, 20:60]
        sway = 6 * (k % 3)
        lit[60:90, 90 + sway : 110 + sway] = 0.02
        differences.append(compare_logs(film(lit, k), known))
    seen = np.ones(wall.shape[:2], bool)
    held, relit = fit_held_light(differences, known, shows_set=seen)
    assert relit[24:46, 24:56].min() > 0.9 and relit[60:90, 84:].max() == 0
    lit = np.log(1.8 * other[24:46, 24:56] / wall[24:46, 24:56])
    assert np.abs(held[24:46, 24:56] - lit).mean() < 0.05
    assert not fit_held_light(differences, known, shows_set=~seen)[1].any()  # whoever holds still hides the set


def test_means_carried_on_are_normalised_convolution():
    rng = np.random.default_rng(5)
    values, mass = rng.uniform(0, 1, (40, 50, 3)).astype(np.float32), rng.uniform(0.2, 1, (40, 50)).astype(np.float32)
    ours = carry_on(values * mass[..., None], mass, sigmas=(2.0,))
    # REFERENCE  scipy.ndimage.gaussian_filter of values * certainty over that of certainty (Knutsson & Westin 1993).
    # TOLERANCE  the two libraries cut the Gaussian's tails at other places.
    options = {"mode": "nearest", "truncate": 4}
    total = np.stack([gaussian_filter(values[..., c] * mass, 2.0, **options) for c in range(3)], -1)
    theirs = total / gaussian_filter(mass, 2.0, **options)[..., None]
    np.testing.assert_allclose(ours, theirs, atol=2e-3)


def test_a_steady_difference_is_unity_and_lost_texture_more():
    wall = make_wall(64)
    known = prepare_set(wall, NOISE)
    seen = strayed(compare_logs(film(wall * 0.6, 2), known), known.variance)
    lost = strayed(compare_logs(film(np.full_like(wall, 0.2), 3), known), known.variance)
    assert np.median(seen) < 1.3
    assert np.median(lost) > 2 * np.median(seen)
