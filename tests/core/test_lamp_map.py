"""Where the lamp was: a point lamp in a box, drawn here by the inverse-square law, and what the map makes of it."""

import numpy as np
import pytest
from scipy.spatial.distance import pdist
from scipy.stats import spearmanr

from lightstack.core.lamp.lamp_map import follow_on, map_lamps
from lightstack.core.lamp.lamps import find_in_shot
from lightstack.core.lamp.model import Patches, Shading, look_along, predict_light, solve_lamps, solve_patches
from lightstack.core.lamp.shade import note_shades
from lightstack.core.lamp.spots import link_spots
from lightstack.core.lamp.start import find_way
from lightstack.core.lamp.view import FLAT_DEPTH, find_on_map, show_in_picture
from lightstack.core.sweep.finder import LAMP
from lightstack.errors import UnusableTake
from lightstack.records import LampView, NoiseModel

SIZE = (36, 64)
TANGENT = 0.7  # of the camera of these tests; the map assumes another
LEVEL = 1e-3


def draw_box(lamps, size=SIZE):
    """A box of grey walls, 4 wide, 2.6 high, 5 deep, by lamps at (n, 3) metres: Lambert and the inverse square."""
    rays = look_along(size, TANGENT)
    walls = np.array([2.0, np.nan, 5.0])
    reach = np.stack([walls[0] / np.abs(rays[:, 0]), np.where(rays[:, 1] < 0, 1.2, 1.4) / np.abs(rays[:, 1]),
                      walls[2] / rays[:, 2]])  # fmt: skip
    side = reach.argmin(axis=0)
    points = rays * reach.min(axis=0)[:, None]
    normals = np.zeros_like(rays)
    normals[np.arange(len(rays)), side] = -np.sign(rays[np.arange(len(rays)), side])
    albedo = np.random.default_rng(3).uniform(0.2, 0.8, len(rays))
    towards = lamps[:, None] - points[None]
    square = (towards**2).sum(2)
    light = albedo * np.maximum((towards * normals).sum(2), 0) / square**1.5 + 0.02 * albedo
    return (0.3 * light).reshape(len(lamps), *size, 1) * np.array([0.5, 0.2, 1.0])


def walk(count):
    """A way through the box that comes back on itself, camera's axes, metres."""
    t = np.linspace(0, 1, count)[:, None]
    return np.hstack([1.5 * np.sin(7 * t), 0.6 * np.cos(9 * t), 2.2 + 1.9 * np.sin(4 * t + 0.7)])


@pytest.fixture(scope="module")
def mapped():
    lamps = walk(22)
    rng = np.random.default_rng(1)
    light = draw_box(lamps) + rng.normal(0, LEVEL, (len(lamps), *SIZE, 3))
    flags = np.zeros(light.shape[:3], np.uint8)
    for k in range(len(flags)):  # somebody stands in the picture, another place each time
        flags[k, 12:, 2 * k : 2 * k + 8] = 8
    light[flags > 0] = 5.0
    noise = NoiseModel(np.full(3, 1e-6), np.full(3, LEVEL**2))
    spots = np.full((len(lamps), 2, 3), np.nan)
    numbers = np.arange(1, len(lamps) + 1)
    return lamps, map_lamps(note_shades(light, flags, noise=noise, source_frames=numbers, spots=spots, size=SIZE))


def test_distances_between_lamps_are_recovered(mapped):
    lamps, places = mapped
    # REFERENCE  Lambert's cosine law and the inverse-square law draw the pictures; scipy judges the ranks.
    # TOLERANCE  0.9 is what a map must reach to be of use; noise of a few percent and a person in every frame.
    assert spearmanr(pdist(places.map), pdist(lamps))[0] > 0.9
    assert not places.anchored
    assert np.isnan(places.in_shot).all()


def test_nearness_follows_the_distance_from_the_camera(mapped):
    lamps, places = mapped
    assert spearmanr(places.near, -lamps[:, 2])[0] > 0.9
    assert places.near.min() == pytest.approx(0)
    assert places.near.max() == pytest.approx(1)
    assert (places.spread > 0).all() and (places.spread <= 1).all()


@pytest.mark.parametrize(("count", "words"), [(3, "8 or more"), (9, "too little")])
def test_too_few_frames_or_hardly_any_light_are_refused(count, words):
    noise = NoiseModel(np.full(3, 1e-6), np.full(3, 1e-4))
    shades = note_shades(
        np.zeros((count, *SIZE, 3)), np.zeros((count, *SIZE), np.uint8), noise=noise,
        source_frames=np.arange(count), spots=np.full((count, 2, 3), np.nan), size=SIZE,
    )  # fmt: skip
    with pytest.raises(UnusableTake, match=words):
        map_lamps(shades)


def make_patches(rng, count=60):
    rays = look_along((6, 10), 0.6)[:count]
    facing = -rays * 0.3 + rng.normal(0, 0.05, rays.shape)
    return Patches(rays, rng.uniform(0.7, 1.2, count), facing, np.full(count, 0.02))


def test_lamps_step_towards_where_they_were():
    rng = np.random.default_rng(2)
    patches, true = make_patches(rng), 0.25 * walk(9)
    seen = predict_light(true, patches)
    shading = Shading(seen, np.ones_like(seen), 1e-4, patches.rays)
    lamps = true + rng.normal(0, 0.05, true.shape)
    before = np.linalg.norm(lamps - true, axis=1).mean()
    free = np.full((9, 2), np.nan)
    for _ in range(40):
        lamps, _ = solve_lamps(shading, lamps, patches, free, np.zeros(9, bool))
    assert np.linalg.norm(lamps - true, axis=1).mean() < 0.1 * before


def test_lamps_that_do_not_follow_each_other_are_placed_one_by_one():
    rng = np.random.default_rng(3)
    patches, true = make_patches(rng), 0.25 * walk(3000)
    seen = predict_light(true, patches)
    shading = Shading(seen, np.ones_like(seen), 1e-4, patches.rays)
    lamps, free, alone = true + 0.02, np.full((3000, 2), np.nan), np.zeros(3000, bool)
    together, _ = solve_lamps(shading, lamps, patches, free, alone)  # as one system it would fill 600 MB
    some = np.array([0, 1500, 2999])
    apart, _ = solve_lamps(shading.pick(some), lamps[some], patches, free[some], alone[some])
    np.testing.assert_allclose(together[some], apart, atol=1e-9)


def test_a_better_set_explains_the_light_better():
    rng = np.random.default_rng(4)
    patches, lamps = make_patches(rng), 0.12 * walk(14)
    seen = predict_light(lamps, patches)
    shading = Shading(seen, np.ones_like(seen), 1e-4, patches.rays)
    wrong = Patches(patches.rays, patches.depth * 1.15, patches.facing * 0.7, patches.bounce * 0)
    found = solve_patches(shading, lamps, wrong, (0.87, 1.0, 1.15))
    off = np.abs(np.log(predict_light(lamps, found) + 1e-4) - np.log(seen + 1e-4)).mean()
    assert off < 0.1 * np.abs(np.log(predict_light(lamps, wrong) + 1e-4) - np.log(seen + 1e-4)).mean()


def test_the_best_way_is_that_of_trying_all():
    rng = np.random.default_rng(5)
    cost, grid = rng.uniform(0, 1, (4, 5)), rng.uniform(0, 1, (5, 3))
    follows = np.array([False, True, False, False])  # the third follows the second; the last follows nothing

    def total(way):
        steps = [((grid[a] - grid[b]) ** 2).sum() * (follows[k + 1] or follows[k])
                 for k, (a, b) in enumerate(zip(way[:-1], way[1:], strict=True))]  # fmt: skip
        return cost[np.arange(4), list(way)].sum() + sum(steps)

    best = min(np.ndindex(5, 5, 5, 5), key=total)
    np.testing.assert_array_equal(find_way(cost, grid, follows), best)


def test_frames_beyond_a_gap_do_not_follow():
    np.testing.assert_array_equal(follow_on(np.array([1, 2, 3, 40, 41, 42])), [False, True, False, False, True, False])


def film_lamp(middle, radius, size=(40, 60)):
    y, x = np.mgrid[: size[0] * 8, : size[1] * 8] / 8 + 1 / 16
    disc = (np.hypot(x - middle[0], y - middle[1]) < radius).astype(float)
    return disc.reshape(size[0], 8, size[1], 8).mean((1, 3))


def test_the_middle_of_a_lamp_lies_between_pixels():
    # REFERENCE  a disc drawn at 8 x 8 samples a pixel. TOLERANCE  a tenth of a pixel.
    middle = (21.3, 17.8)
    disc = film_lamp(middle, 3.2)
    light = np.repeat(disc[None, ..., None], 3, axis=3)
    flags = np.where(disc[None] > 0.2, LAMP, 0).astype(np.uint8)
    found = find_in_shot(light, flags, np.zeros((40, 60, 3)), factor=2)
    np.testing.assert_allclose(found[0, 0, :2], np.multiply(middle, 2), atol=0.2)
    assert np.isnan(found[0, 1]).all()


def test_a_lamp_cut_off_by_the_border_is_not_in_shot():
    disc = film_lamp((1.0, 17.8), 3.2)
    flags = np.where(disc[None] > 0.2, LAMP, 0).astype(np.uint8)
    light = np.repeat(disc[None, ..., None], 3, axis=3)
    assert np.isnan(find_in_shot(light, flags, np.zeros((40, 60, 3)))).all()


def test_spots_that_move_on_are_one_track():
    spots = np.full((4, 2, 3), np.nan)
    spots[:, 0] = [[0, 0, 1], [0.05, 0, 1], [0.1, 0, 1], [0.9, 0, 1]]
    spots[1:3, 1] = [[-0.5, 0.1, 1], [-0.5, 0.15, 1]]
    assert link_spots(spots) == [[(0, 0), (1, 0), (2, 0)], [(1, 1), (2, 1)], [(3, 0)]]


def test_the_picture_leads_back_to_the_map():
    view = LampView((180, 320), 0.6, -0.4, 1.1)
    places = np.array([[0.2, -0.1, 0.8], [-0.3, 0.2, -0.4], [0.0, 0.0, FLAT_DEPTH]])
    shown = show_in_picture(places, view)
    np.testing.assert_allclose(find_on_map(shown, view), places, atol=1e-12)
    assert shown[1, 2] == pytest.approx(1)
    np.testing.assert_allclose(shown[2, :2], [160, 90])
