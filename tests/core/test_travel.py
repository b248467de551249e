"""A light that travels over lamp stills: weights, fills and blends."""

import numpy as np
import pytest

from lightstack.core.lamp.model import look_along
from lightstack.core.lamp.travel import (
    MOST_STILLS,
    clamp_path,
    ease_weights,
    find_radius,
    plan_travel,
    spread_stills,
    usual_spacing,
    wendland,
)
from lightstack.core.lamp.travel_blend import blend_stills, choose_fillers, fill_still, match_levels, tighten_valid
from lightstack.core.lamp.travel_shade import MOST_STOPS, enlarge_stops, shift_light
from lightstack.errors import SettingError
from lightstack.records import LitSet


def make_way(count, rng=None, part=(0, 1)):
    t = np.linspace(*part, count)[:, None]
    way = np.hstack([np.cos(5 * t), np.sin(7 * t), 0.5 * t])
    return way if rng is None else way + rng.normal(0, 0.02, way.shape)


@pytest.mark.parametrize("dimensions", [2, 3])
def test_rows_of_weights_sum_to_one_and_few_take_part(dimensions):
    rng = np.random.default_rng(1)
    plan = plan_travel(rng.uniform(0, 1, (40, dimensions)), rng.uniform(-0.2, 1.2, (60, dimensions)))
    np.testing.assert_allclose(plan.weights.sum(1), 1, atol=1e-12)
    assert (plan.weights >= 0).all()
    assert ((plan.weights > 0).sum(1) <= MOST_STILLS).all()


def test_no_still_enters_or_leaves_with_a_jump():
    stills = make_way(24, np.random.default_rng(2))
    steps, halved = (
        np.abs(np.diff(plan_travel(stills, make_way(n, part=(0.3, 0.5)) + [0.03, 0.02, 0]).weights, axis=0)).max()
        for n in (401, 801)
    )
    assert steps < 0.1  # a still's weight comes and goes over a good part of a spacing, some hundred of these frames
    assert halved < 0.6 * steps  # a jump would stay as it is however finely the path is sampled


def test_a_light_at_a_still_is_mostly_that_still():
    stills = make_way(24)
    weights = plan_travel(stills, stills).weights
    assert (np.diag(weights) > 0.6).all()


def test_weights_lie_about_the_place_itself():
    # half-way between stills the mean of the stills' places is the place: the light does not hang back
    line = np.column_stack([np.linspace(0, 1, 11), np.zeros(11)])
    path = np.column_stack([np.linspace(0.1, 0.9, 41), np.zeros(41)])
    weights = plan_travel(line, path).weights
    assert np.abs(weights @ line - path).max() < 0.02


def test_a_path_outside_comes_back_to_the_border():
    stills = make_way(24)
    far = stills[[5]] + [0, 0, 9.0]
    plan = plan_travel(stills, np.vstack([stills[[5]], far]))
    assert plan.clamped[0] == pytest.approx(0, abs=1e-9)
    assert plan.clamped[1] > 8
    kept, moved = clamp_path(stills, far, usual_spacing(stills))
    np.testing.assert_allclose(np.linalg.norm(kept - far, axis=1), moved)


def test_stills_are_spread_over_all_places():
    way = make_way(60)
    picked = spread_stills(way, 12, chosen=[3, 4, 5])
    assert picked[:3] == [3, 4, 5] and len(set(picked)) == 12
    apart = np.linalg.norm(way[:, None] - way[picked][None], axis=2).min(1)
    even = np.linalg.norm(way[:, None] - way[::6][None], axis=2).min(1)
    assert apart.max() <= 2 * even.max() + 1e-9  # the bound of Gonzalez 1985, and three of ours were given
    assert spread_stills(way, 2, chosen=[3, 4, 5]) == [3, 4, 5]
    assert len(spread_stills(np.zeros((4, 3)), 4)) == 1


def test_fillers_show_what_the_nearest_ones_do_not():
    valid = np.ones((7, 4, 4))
    valid[:5, 1:3, 1:3] = 0  # five stills with somebody in one place, two without
    assert choose_fillers(valid, np.arange(7.0), 0) == [1, 2, 3, 5]
    assert choose_fillers(valid, np.arange(7.0), 0, most=2) == [1, 2]


def test_a_rim_is_kept_away_from_what_is_covered():
    valid = np.ones((20, 30), np.float32)
    valid[8:12, 10:14] = 0
    tight = tighten_valid(valid, rim_px=3)
    assert (tight[6:14, 8:16] == 0).all()
    assert (tight[:, 22:] == 1).all()
    assert (tight <= valid).all()
    np.testing.assert_array_equal(tighten_valid(np.ones((5, 5)), rim_px=3), 1)


def test_stills_at_one_place_share():
    places = np.array([[0.0, 0], [0, 0], [1, 0], [2, 0]])
    weights = plan_travel(places, np.array([[0.0, 0]])).weights[0]
    assert weights[0] == pytest.approx(weights[1])


def test_one_still_alone_has_all():
    np.testing.assert_array_equal(plan_travel(np.zeros((1, 3)), np.ones((4, 3))).weights, 1)


@pytest.mark.parametrize("path", [np.zeros((3, 2)), np.full((3, 3), np.nan)])
def test_a_path_that_makes_no_sense_is_refused(path):
    with pytest.raises(SettingError):
        plan_travel(np.zeros((4, 3)), path)


def test_the_kernel_is_the_published_one():
    # REFERENCE  Wendland's C2 function in up to three dimensions, (1 - r)^4 (4 r + 1), from memory; at 1/2: 3/16.
    np.testing.assert_allclose(wendland(np.array([0, 0.5, 1, 2])), [1, 3 / 16, 0, 0])
    assert find_radius(np.array([[0.0, 1.0, 2.0]]), 0.1)[0] > 1


def light_of(place, size=(36, 64), texture=None):
    """A wall two ahead by a lamp at (3,): Lambert's law and the inverse square."""
    y, x = np.mgrid[: size[0], : size[1]] / size[1]
    square = (x - place[0]) ** 2 + (y - place[1]) ** 2 + place[2] ** 2
    light = place[2] / square**1.5 * 0.05
    return (light if texture is None else light * texture)[..., None] * np.array([0.5, 0.2, 1.0])


def make_stills(sigma, rng, count=15):
    """Stills of a lamp that goes along a wall, with somebody before it in the middle of the way."""
    texture = rng.uniform(0.6, 1.0, (36, 64))
    places = np.column_stack([np.linspace(0.1, 0.9, count), np.full(count, 0.3), np.full(count, 0.4)])
    stills = np.stack([light_of(p, texture=texture) for p in places]) + rng.normal(0, sigma, (count, 36, 64, 3))
    valid, covered = np.ones(stills.shape[:3], np.float32), stills.copy()
    for k in range(6, 9):
        valid[k, 6:34, 20:36], covered[k, 6:34, 20:36] = 0, 0.6
    return places, stills, covered, valid


def steps_at_the_hole(light, bare):
    """Largest mean step across the hole's two sides, of what differs from the bare set."""
    off = (light - bare)[8:32].mean(0)
    sides = off[18:20].mean(0) - off[20:22].mean(0), off[34:36].mean(0) - off[36:38].mean(0)
    return np.abs(sides).max()


def mistaken_wall(size=(36, 64)):
    """The wall of ``light_of`` as a map may have it: a tenth too far away."""
    y, x = np.mgrid[: size[0], : size[1]] / size[1]
    points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, -0.04)])
    return LitSet(np.ones(size, bool), points, np.ones(x.size), np.tile([0, 0, 1.0], (x.size, 1)), 0 * x.ravel(), 1e-3)


def fill_all(places, stills, valid, floor):
    done = []
    for k in range(len(stills)):
        near = sorted((j for j in range(len(stills)) if j != k), key=lambda j: abs(j - k))[:5]
        shares = 0.5 ** np.abs(np.array(near) - k)
        moved = stills[near] * np.exp2(shift_light(mistaken_wall(), places[near], places[k]))[..., None]
        stops = match_levels(stills[k], valid[k], moved, valid[near], floor=floor)
        done.append(fill_still(stills[k], valid[k], moved, valid[near], shares=shares, stops=stops))
    return np.stack([d[0] for d in done]), np.stack([d[1] for d in done]), [d[2] for d in done]


def test_no_silhouette_shows_when_the_light_passes_a_hole():
    # TOLERANCE  a step, as the mean of the sides of the hole, under the noise of one pixel of one still.
    sigma = 2e-3
    places, stills, covered, valid = make_stills(sigma, np.random.default_rng(3))
    filled, believed, areas = fill_all(places, covered, valid, floor=sigma)
    assert areas[7] == pytest.approx(28 * 16 / (36 * 64))
    assert areas[0] == 0
    assert (believed == 1).all()
    path = np.column_stack([np.linspace(0.35, 0.65, 7), np.full(7, 0.3), np.full(7, 0.4)])
    for weights in plan_travel(places, path).weights:
        bare = np.einsum("k,khwc->hwc", weights, stills)
        assert steps_at_the_hole(blend_stills(filled, believed, weights)[0], bare) < sigma


def test_without_a_fill_the_hole_would_show():
    # so that the test above can fail
    sigma = 2e-3
    places, stills, covered, valid = make_stills(sigma, np.random.default_rng(3))
    weights = plan_travel(places, np.array([[0.43, 0.3, 0.4]])).weights[0]
    bare = np.einsum("k,khwc->hwc", weights, stills)
    assert steps_at_the_hole(blend_stills(covered, valid, weights)[0], bare) > 4 * sigma


def test_blend_is_the_weighted_sum_where_all_is_valid():
    rng = np.random.default_rng(4)
    stills, weights = rng.uniform(0, 1, (4, 5, 6, 3)), np.array([0.5, 0.2, 0, 0.3])
    light, share = blend_stills(stills, np.ones((4, 5, 6)), weights)
    np.testing.assert_allclose(light, np.einsum("k,khwc->hwc", weights, stills), rtol=1e-5)
    np.testing.assert_allclose(share, 1, rtol=1e-6)
    lifted, _ = blend_stills(stills, np.ones((4, 5, 6)), weights, lift=np.ones((4, 5, 6)))
    np.testing.assert_allclose(lifted, 2 * light, rtol=1e-5)


def test_blend_passes_smoothly_into_what_is_not_valid():
    stills = np.stack([np.full((1, 1, 3), 0.2), np.full((1, 1, 3), 0.8)])
    trust = np.linspace(0, 1, 401)
    seen = [blend_stills(stills, np.array([[[0.0]], [[v]]]), [0.5, 0.5])[0][0, 0, 0] for v in trust]
    assert seen[0] == pytest.approx(0.5)
    assert seen[-1] == pytest.approx(0.8)
    assert np.abs(np.diff(seen)).max() < 1e-2


def test_light_that_is_no_number_is_left_out():
    stills = np.stack([np.full((2, 2, 3), 0.2), np.full((2, 2, 3), np.nan)])
    light, share = blend_stills(stills, np.ones((2, 2, 2)), [0.5, 0.5])
    np.testing.assert_allclose(light, 0.2, rtol=1e-6)
    np.testing.assert_allclose(share, 0.5)


def wall_ahead(size=(9, 16)):
    """A grey wall 1 ahead, all known."""
    rays = look_along(size, 0.6)
    facing = np.tile([0, 0, -1.0], (len(rays), 1))
    return LitSet(np.ones(size, bool), rays, 1 / rays[:, 2], facing, np.zeros(len(rays)), 1e-9)


def test_a_still_changes_as_the_lamp_moves_on():
    # REFERENCE  Lambert's law and the inverse square on a plane, cos / d^2 = z / d^3, worked out here.
    lit_set = wall_ahead()
    still, place = np.array([[0.0, 0.0, 0.5]]), np.array([0.1, 0.0, 0.4])
    points = lit_set.rays * lit_set.depth[:, None]
    before, after = (((1 - p[2]) / np.linalg.norm(p - points, axis=1) ** 3).reshape(9, 16) for p in (still[0], place))
    expected = MOST_STOPS * np.tanh(np.log2(after / before) / MOST_STOPS)
    # TOLERANCE  the field is smoothed a little where it is known, and the model's lamp has a size of 3 %.
    np.testing.assert_allclose(shift_light(lit_set, still, place)[0], expected, atol=0.05)
    np.testing.assert_allclose(shift_light(lit_set, still, still[0])[0], 0, atol=1e-6)


def test_enlarging_goes_by_bands_of_rows():
    field = np.random.default_rng(6).normal(0, 1, (9, 16)).astype(np.float32)
    whole = enlarge_stops(field, (90, 160))
    bands = [enlarge_stops(field, (90, 160), slice(a, a + 30)) for a in (0, 30, 60)]
    np.testing.assert_allclose(np.concatenate(bands), whole, atol=1e-5)
    assert whole[45].max() < field.max() + 1


def test_stills_change_no_faster_than_the_light_moves():
    # two walls: between them the nearest stills change all at once
    places = np.array([[0.0, 0], [1, 0], [2, 0], [0, 1.6], [1, 1.6], [2, 1.6]])
    path = np.column_stack([np.full(41, 1.0), np.linspace(0.2, 1.4, 41)])
    weights = plan_travel(places, path).weights
    change = 0.5 * np.abs(np.diff(weights, axis=0)).sum(axis=1)
    assert change.max() < 0.2
    np.testing.assert_allclose(weights.sum(axis=1), 1)
    jump = np.zeros((12, 2))
    jump[:6, 0] = jump[6:, 1] = 1
    slow, fast = ease_weights(jump, np.zeros(11)), ease_weights(jump, np.full(11, 2.0))
    assert 0.5 * np.abs(np.diff(slow, axis=0)).sum(axis=1).max() < 0.2
    np.testing.assert_array_equal(fast, jump)  # a light that itself leaps across the room may
