"""One frame's mask; the whole is tested on made rooms in test_blockers."""

import numpy as np

from lightstack.core.sweep.finder import BLOCKED, CLOSED, COVERED, GLINT, LAMP, RIM, Finder, _join_boxes, shrink
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 1e-5), np.full(3, 1e-7))


def make_finder(light, ambient, clipped=None):
    clipped = np.zeros(light.shape[:3], np.uint8) if clipped is None else clipped
    return Finder(light, ambient, NOISE, clipped, np.arange(len(light)))


def figure_take(rng, *, h=90, w=160, count=8):
    """A textured room evenly lit, with a black figure in frame 3."""
    ambient = (0.02 + 0.03 * rng.random((h, w, 3))).astype(np.float32)
    light = np.tile(ambient * 4, (count, 1, 1, 1)) + 4e-4 * rng.standard_normal((count, h, w, 3)).astype(np.float32)
    light[3, 20:80, 60:85] = -ambient[20:80, 60:85]
    return light, ambient


def test_flags_are_closed_inside_and_a_rim_outside():
    light, ambient = figure_take(np.random.default_rng(1))
    flags = make_finder(light, ambient).find(3)
    assert (flags[22:78, 62:83] & COVERED).all()
    ring = (flags & RIM) > 0
    assert ring[50, 85:88].any() and not (flags[ring] & (CLOSED | GLINT)).any()
    assert BLOCKED == CLOSED | RIM and not (flags & LAMP).any()


def test_the_mask_follows_the_exposure():
    light, ambient = figure_take(np.random.default_rng(2))
    plain = make_finder(light, ambient).find(3)
    brighter = Finder(
        light * 2, ambient * 2, NoiseModel(NOISE.a * 2, NOISE.b * 4), np.zeros(light.shape[:3], np.uint8), np.arange(8)
    ).find(3)
    np.testing.assert_array_equal(plain & CLOSED, brighter & CLOSED)


def test_a_mirrored_take_gives_the_mirrored_mask():
    light, ambient = figure_take(np.random.default_rng(3), w=161)
    plain = make_finder(light, ambient).find(3)
    mirrored = make_finder(light[:, :, ::-1], ambient[:, ::-1]).find(3)[:, ::-1]
    assert ((plain & CLOSED > 0) ^ (mirrored & CLOSED > 0)).mean() < 0.003  # a 2 x 2 opening leans by a pixel


def test_a_frame_without_light_and_pixels_outside_the_picture_are_no_cover():
    light, ambient = figure_take(np.random.default_rng(4))
    light[5] = np.nan
    finder = make_finder(light, ambient)
    assert not (finder.find(5) & CLOSED).any()
    assert not (finder.find(0) & CLOSED).any()


def test_shrinking_keeps_the_mean_and_odd_sizes():
    picture = np.random.default_rng(3).random((12, 20, 3)).astype(np.float32)
    np.testing.assert_allclose(shrink(picture, 4).mean((0, 1)), picture.mean((0, 1)), rtol=1e-5)
    assert shrink(picture[:11, :18], 4).shape == (3, 5, 3)


def test_a_fixed_light_in_shot_is_not_the_lamp():
    light, ambient = figure_take(np.random.default_rng(5), count=12)
    clipped = np.zeros(light.shape[:3], np.uint8)
    clipped[:, 10:16, 130:136] = 7
    clipped[8, 40:46, 30:36] = 7
    finder = Finder(light, ambient, NOISE, clipped, np.arange(4, 12))
    assert not (finder.find(4)[5:20, 125:140] & LAMP).any()
    assert (finder.find(4)[40:46, 30:36] & LAMP).all()
    assert not (finder.find(3) & LAMP).any()


def test_bits_are_joined_over_boxes_also_where_the_last_ones_are_cut():
    rng = np.random.default_rng(8)
    flags = (rng.integers(0, 8, (11, 14)) * (rng.random((11, 14)) < 0.1)).astype(np.uint8)
    for step in (1, 2, 3):
        expected = [
            [np.bitwise_or.reduce(flags[y : y + step, x : x + step].ravel()) for x in range(0, 14, step)]
            for y in range(0, 11, step)
        ]
        np.testing.assert_array_equal(_join_boxes(flags, step), expected)
