import numpy as np
import pytest
from made.lit_figure import light_figure as make_lit

from lightstack.core.colour.light import luminance_weights
from lightstack.core.matte.figure_light import bend, light_figure, measure_levels, range_share
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
QUIET = NoiseModel(np.zeros(3), np.full(3, 1e-10))
WEIGHTS = luminance_weights("bt709")
LAMP, LIGHT = np.array([0.42, 0.09, 1.0]), np.array([1.0, 0.8, 0.5])
SIZE = (120, 200)


def cut(size=SIZE):
    """A figure's matte: a soft-edged bar in the middle."""
    columns = np.abs(np.arange(size[1]) - size[1] / 2 + 0.5)
    held = np.clip((size[1] / 10 - columns) / 2 + 0.5, 0, 1) * np.ones(size)[:, :1]
    held[: size[0] // 5] = 0
    return held.astype(np.float32)


def light_up(figure, held, plate, wall, noise=QUIET):
    figure = np.broadcast_to(figure, (*held.shape, 3)).astype(np.float32) * held[..., None]
    hero = figure + (1 - held[..., None]) * wall
    levels = measure_levels(plate.astype(np.float32), hero.astype(np.float32), held)
    return light_figure(figure, held, levels, noise=noise, weights=WEIGHTS)


def walls():
    """A wall of two colours, by the light that is there and by the lamp."""
    surface = np.where((np.indices(SIZE).sum(0) // 20 % 2)[..., None], (0.4, 0.3, 0.2), (0.2, 0.3, 0.4))
    return surface * LAMP, surface * LIGHT * 0.3


def test_dark_cloth_of_the_sets_own_kind_of_light_reflects_the_lamps_colour():
    plate, wall = walls()
    held, skin = cut(), np.array([0.09, 0.06, 0.05])
    lit = light_up(skin * LIGHT * 0.3, held, plate, wall)
    inner = lit[60, 95:105].mean(0)
    # known by construction: surfaces are divided out, so the light on the figure is the skin's colour times the lamp's
    np.testing.assert_allclose(inner / inner.sum(), skin * LAMP / (skin * LAMP).sum(), atol=0.02)
    assert (lit[held == 0] == 0).all()


def test_black_cloth_stays_black_and_nobody_gets_no_light():
    plate, wall = walls()
    assert light_up(np.full(3, 1e-5), cut(), plate, wall).max() < 1e-3 * plate.max()
    assert not light_up(np.ones(3), np.zeros(SIZE, np.float32), plate, wall).any()


def test_a_checkered_plate_leaves_no_pattern_on_the_figure():
    # TOLERANCE  2 % contrast, (high - low) / (high + low), of a plate of black and lit fields, 1/10 of the width each.
    plate = np.where((np.indices(SIZE) // 20).sum(0)[..., None] % 2, 1.0, 0.0) * LAMP * 0.3
    held = np.zeros(SIZE, np.float32)
    held[24:, 80:120] = 1
    lit = light_up(LIGHT * 0.05, held, plate, np.ones((*SIZE, 3)) * LIGHT * 0.1)[..., 0]
    inside = lit[30:, 84:116]
    assert (inside.max() - inside.min()) / (inside.max() + inside.min()) < 0.02


def test_light_adds_up_and_scales():
    plate, wall = walls()
    one = light_up(LIGHT * 0.05, cut(), plate, wall)
    np.testing.assert_allclose(light_up(LIGHT * 0.05, cut(), 2 * plate, wall), 2 * one, rtol=1e-4, atol=1e-7)


def test_grain_is_not_raised():
    rng = np.random.default_rng(3)
    plate, wall = walls()
    held = np.zeros(SIZE, np.float32)
    held[:, 60:140] = 1
    level = LIGHT * 0.05
    grainy = level + rng.standard_normal((*SIZE, 3)) * NOISE.sigma(np.full((*SIZE, 3), level))
    clean, noisy = (light_up(one, held, plate, wall, NOISE)[10:-10, 70:130] for one in (level, grainy))
    raised = clean.mean((0, 1)) / level
    # the grain of the hero times the same gain would be several times as large
    assert (noisy.std((0, 1)) < 0.6 * raised * NOISE.sigma(level)).all()
    np.testing.assert_allclose(noisy.mean((0, 1)), clean.mean((0, 1)), rtol=0.06)


def test_a_channel_without_light_is_taken_from_the_others():
    plate, wall = walls()
    dark = np.array([1.0, 0.5, 1e-6])  # sodium light: nothing of blue is there
    lit = light_up(np.array([0.05, 0.025, 0.0]), cut(), plate, wall / LIGHT * dark, NOISE)
    assert np.isfinite(lit).all()
    assert 0 < lit[60, 100, 2] < 1


def test_levels_are_bent_below_what_anything_reflects():
    grey = np.full((1, 4, 3), 1.0, np.float32) * np.array([0.02, 0.3, 2.0, 50.0], np.float32)[None, :, None]
    bent = bend(grey, WEIGHTS)[0, :, 0]
    assert (np.diff(bent) > 0).all()
    assert bent[0] == pytest.approx(0.02, rel=1e-2)
    assert bent[-1] <= 0.4


def test_range_share_has_soft_ends_a_stop_wide():
    ramp = np.repeat(np.geomspace(0.01, 1, 301, dtype=np.float32)[None, :, None], 3, axis=2)
    share = range_share(ramp, 0.05, 0.4, weights=WEIGHTS)[0]
    level = ramp[0, :, 0]
    assert share[np.argmin(np.abs(level - 0.05))] == pytest.approx(0.5, abs=0.03)
    assert share[np.argmin(np.abs(level - 0.4))] == pytest.approx(0.5, abs=0.03)
    assert share[(level > 0.072) & (level < 0.28)].min() > 0.99
    assert share[level < 0.034].max() < 0.01
    assert range_share(ramp, 0, 0.4, weights=WEIGHTS)[0, 0] == 1


@pytest.mark.parametrize("seed", [601, 602])
def test_made_figures_stand_nearer_to_the_truth_than_unlit_ones(seed):
    # REFERENCE  a ray caster that imports nothing of this package: largest lamp light on the figure over the sweep.
    # TOLERANCE  error 0.85 of that of a figure without light: level and direction of a lamp that came near are unknown.
    made = make_lit(seed, size=(45, 80), lamps=6)
    cover, hero = made.cover.astype(np.float32), made.filmed()
    figure = hero - (1 - cover[..., None]) * made.bare
    levels = measure_levels(made.plate, hero, cover)
    lit = light_figure(figure, cover, levels, noise=NOISE, weights=WEIGHTS)
    inside, truth = cover > 0.5, made.lit * cover[..., None]
    error = np.abs(lit - truth)[inside].sum() / truth[inside].sum()
    assert error < 0.85


def test_grain_of_black_cloth_counts_as_no_light():
    # below the noise half of the pixels are negative; cut off one by one they would make black cloth shine
    rng = np.random.default_rng(4)
    plate, wall = walls()
    held = np.zeros(SIZE, np.float32)
    held[:, 60:140] = 1
    level = LIGHT * 2e-4
    grainy = level + rng.standard_normal((*SIZE, 3)) * NOISE.sigma(np.full((*SIZE, 3), level))
    clean, noisy = (light_up(one, held, plate, wall, NOISE)[10:-10, 70:130].mean((0, 1)) for one in (level, grainy))
    # TOLERANCE  0.06 of one pixel's noise, as bright as it would be in the lamp's light.
    raised = NOISE.sigma(level) * clean / level
    assert (np.abs(noisy - clean) < 0.06 * raised).all()


def test_two_lamps_add_up():
    plate, wall = walls()
    corner = plate * np.linspace(0, 2, SIZE[1])[None, :, None]
    one, other, both = (light_up(LIGHT * 0.05, cut(), p, wall) for p in (plate, corner, plate + corner))
    np.testing.assert_allclose(one + other, both, rtol=1e-4, atol=1e-6)
