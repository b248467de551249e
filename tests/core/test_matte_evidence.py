"""Evidence for a figure: what is set under any light speaks against, what covers it speaks for."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from lightstack.core.matte.evidence import fit_shade, shade_says, weigh_difference
from lightstack.core.matte.light import compare_logs, prepare_set
from lightstack.core.matte.texture import weigh_texture
from lightstack.core.matte.worn import FigureColours
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 2e-4), np.full(3, 2e-6))
SIZE = (96, 128)


@pytest.fixture(scope="module")
def wall():
    rng = np.random.default_rng(71)
    texture = gaussian_filter(rng.normal(0, 1, SIZE), 1.5)[..., None] * np.ones(3)
    return (0.2 * np.exp(0.25 * texture / texture.std())).astype(np.float32)


def weigh(light, wall, seed=1):
    rng = np.random.default_rng(seed)
    frame = light + NOISE.sigma(light) * rng.standard_normal(light.shape)
    known = prepare_set(wall, NOISE)
    difference = compare_logs(frame.astype(np.float32), known)
    return weigh_difference(known.logs + difference, difference, known)


def test_the_set_as_lit_speaks_against_a_figure(wall):
    assert (weigh(wall, wall).score < 0).mean() > 0.999


def test_a_soft_shadow_is_no_figure(wall):
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    dim = 1 - 0.6 * np.exp(-(((x - 64) / 22) ** 2 + ((y - 48) / 22) ** 2))
    assert (weigh((wall * dim[..., None]).astype(np.float32), wall).score < 0).mean() > 0.99


@pytest.mark.parametrize("colour", [(0.4, 0.1, 0.1), (0.01, 0.01, 0.012), (0.6, 0.6, 0.62)])
def test_what_stands_in_front_speaks_for_itself(wall, colour):
    light = wall.copy()
    light[20:80, 50:80] = colour
    score = weigh(light, wall).score
    assert (score[24:76, 54:76] > 0).mean() > 0.9
    assert (score[:, :40] < 0).mean() > 0.99


def test_texture_tells_seen_from_gone(wall):
    known = prepare_set(wall, NOISE)
    variance = known.variance_at(known.logs)
    seen = weigh_texture(known.logs - 1, known, variance).odds
    gone = weigh_texture(0 * known.logs, known, variance).odds
    assert np.median(seen) < -1.5 and np.median(gone) > 1
    plain = prepare_set(np.full_like(wall, 0.2), NOISE)
    np.testing.assert_allclose(weigh_texture(plain.logs, plain, variance).odds, 0, atol=1e-6)


def test_a_window_grows_until_noise_lets_texture_be_seen(wall):
    loud = NoiseModel(np.full(3, 2e-4), np.full(3, 2e-2))
    known = prepare_set(wall, loud)
    rng = np.random.default_rng(6)
    seen, gone = (
        weigh_texture(compare_logs((light + loud.sigma(light) * rng.standard_normal(wall.shape)), known) + known.logs,
                      known, known.variance_at(known.logs))
        for light in (wall, np.full_like(wall, 0.2))
    )  # fmt: skip
    assert np.median(seen.odds) < -1.5 < 1 < np.median(gone.odds)


def test_texture_in_a_shadow_beside_a_body_says_nothing_of_the_body(wall):
    known = prepare_set(wall, NOISE)
    logs = known.logs - 0.7
    logs[:, 64:] = known.logs[:, 64:].mean((0, 1)) - 0.9  # a body without texture
    rng = np.random.default_rng(7)
    logs = (logs + 0.01 * rng.standard_normal(logs.shape)).astype(np.float32)
    says = weigh_texture(logs, known, known.variance_at(logs), changed=np.ones(SIZE, bool))
    assert (says.odds[8:-8, 8:56] < -1).mean() > 0.9
    assert (says.odds[8:-8, 72:-8] > 1).mean() > 0.9


def test_a_plain_wall_that_darkens_with_a_sharp_outline_is_not_surely_a_shadow():
    plain = np.full((*SIZE, 3), 0.2, np.float32)
    dim = np.ones(SIZE)
    dim[42:56, 50:78] = 0.5
    hard, soft = (weigh((plain * d[..., None]).astype(np.float32), plain) for d in (dim, gaussian_filter(dim, 3)))
    inside = (slice(46, 52), slice(56, 72))
    assert np.median(hard.unsure[inside]) > 0.9 and np.median(soft.unsure[inside]) < 0.5
    assert np.median(hard.score[inside]) > np.median(soft.score[inside]) + 0.5


def test_darkness_is_finite_and_undecided():
    black = np.zeros((*SIZE, 3), np.float32)
    score = weigh(black, black).score
    assert np.isfinite(score).all()
    assert score.max() <= 0


def test_noise_as_wide_as_all_colours_leaves_nothing_told():
    light = np.full((*SIZE, 3), 0.02, np.float32)
    red = (light * np.array([3, 1, 1])).astype(np.float32)
    told = []
    for noise in (NOISE, NoiseModel(np.full(3, 2e-4), np.full(3, 4e-2))):
        known = prepare_set(light, noise)
        for seen in (light, red):
            rng = np.random.default_rng(3)
            frame = (seen + noise.sigma(seen) * rng.standard_normal(light.shape)).astype(np.float32)
            difference = compare_logs(frame, known)
            told.append(np.median(weigh_difference(known.logs + difference, difference, known).score))
    assert told[1] - told[0] > 5
    assert abs(told[3] - told[2]) < 0.5 and abs(told[2]) < abs(told[0])


def test_a_shadow_may_change_colour_a_little_and_a_figure_more():
    spread = np.full((*SIZE, 3), 1e-3, np.float32)
    grey = shade_says(np.full((*SIZE, 3), -0.5, np.float32), spread)
    tinted = shade_says((np.full((*SIZE, 3), -0.5) + np.array([0.6, 0, -0.6])).astype(np.float32), spread)
    assert (grey - tinted).min() > 5


def test_what_shadows_look_like_is_learned_where_texture_shows_them(wall):
    tint, deep = np.array([0.3, 0.0, -0.3]), np.zeros(SIZE)
    deep[20:80, 30:100] = 0.8
    known, looks = prepare_set(wall, NOISE), []
    for depth in (deep, gaussian_filter(deep, 9)):
        light = (wall * np.exp(-depth[..., None] * (1 + tint))).astype(np.float32)
        frame = light + NOISE.sigma(light) * np.random.default_rng(2).standard_normal(light.shape)
        difference = compare_logs(frame.astype(np.float32), known)
        looks.append(fit_shade([(known.logs + difference, difference, known)]))
        np.testing.assert_allclose(looks[-1].colour, tint, atol=0.05)
    assert looks[0].sharp > 0.3 > 2 * looks[1].sharp
    assert (fit_shade([(known.logs, 0 * known.logs, known)]).colour == 0).all()


def test_worn_colours_make_agreement_with_the_set_say_less(wall):
    plain = np.full_like(wall, 0.2)
    evidence = weigh(plain, plain)
    share = np.full(SIZE, 0.6, np.float32)
    alike = evidence.wearing(np.exp(evidence.set_says), share)
    other = evidence.wearing(np.zeros(SIZE, np.float32), share)
    assert np.median(alike) > 0.3 * np.median(other) > np.median(other)
    assert (alike <= 0).mean() > 0.95


def test_colours_that_the_figure_wears_are_known_again():
    rng = np.random.default_rng(4)
    colours = FigureColours()
    blank = np.zeros((10, 10, 3), np.float32)
    assert (colours.density(blank) == 0).all()
    worn = np.log(np.array([0.3, 0.2, 0.1])) + rng.normal(0, 0.05, (40, 40, 3))
    colours.add(worn.astype(np.float32), np.ones((40, 40), bool))
    assert colours.density(np.log(np.full((5, 5, 3), [0.3, 0.2, 0.1])).astype(np.float32)).min() > 3
    assert colours.density(np.log(np.full((5, 5, 3), [0.05, 0.2, 0.4])).astype(np.float32)).max() < 0.01
