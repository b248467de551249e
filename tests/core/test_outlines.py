"""Lit places judged by their borders, on small scenes by construction."""

import numpy as np
import pytest

from lightstack.core.sweep.outlines import Outlines

SIZE = (90, 160)
FLOOR = np.full(SIZE, 0.002, np.float32)
NONE = np.zeros(SIZE, np.uint8)


def pool(centre, *, height, radius):
    """Light of a lamp close to a wall: it fades outwards."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    return (height / (1 + ((x - centre[0]) ** 2 + (y - centre[1]) ** 2) / radius**2) ** 1.5).astype(np.float32)


def box(x0, y0, x1, y1):
    mask = np.zeros(SIZE, np.uint8)
    mask[y0:y1, x0:x1] = 1
    return mask


@pytest.fixture
def plain():
    """A wall that usually gets 0.1, evenly lit by the ambient."""
    return Outlines(np.full(SIZE, 0.1, np.float32), np.full((*SIZE, 3), 0.05, np.float32), FLOOR, unit=0.5)


def test_a_pool_of_light_is_no_figure_and_a_sharp_bright_patch_is_one(plain):
    light = pool((50, 45), height=0.8, radius=15)
    assert not plain.close_lit_figures(light, dark=NONE, body=NONE).any()
    sleeve = box(100, 20, 120, 70)
    found = plain.close_lit_figures(np.where(sleeve > 0, 0.4, light).astype(np.float32), dark=NONE, body=NONE)
    assert (found & sleeve).sum() > 0.9 * sleeve.sum()
    assert not found[:, :90].any()


def test_a_surface_that_ends_where_the_bare_set_ends_is_the_set(plain):
    side = box(100, 20, 120, 70)
    lit = np.where(side > 0, np.float32(0.4), np.float32(0.05))
    assert plain.close_lit_figures(lit, dark=NONE, body=NONE).any()
    ambient = np.where(side[..., None] > 0, 0.2, 0.05) * np.ones(3)
    cupboard = Outlines(np.full(SIZE, 0.1, np.float32), ambient, FLOOR, unit=0.5)
    assert not cupboard.close_lit_figures(lit, dark=NONE, body=NONE).any()


def test_a_small_bright_spot_is_a_glint_unless_it_touches_the_carrier(plain):
    spot, dark = box(100, 40, 104, 44), box(105, 30, 140, 60)
    light = np.where(spot > 0, np.float32(0.6), np.float32(0.05))
    assert not plain.close_lit_figures(light, dark=NONE, body=NONE).any()
    assert plain.close_lit_figures(light, dark=dark, body=dark)[42, 102]


def test_what_borders_on_the_dark_carrier_only_says_nothing(plain):
    patch = box(60, 30, 90, 60)
    round_it = box(50, 20, 100, 70) - patch
    lit = np.where(patch > 0, np.float32(0.4), np.float32(0.05)) * (1 - round_it)
    assert not plain.close_lit_figures(lit.astype(np.float32), dark=round_it, body=round_it).any()


def test_light_flows_back_into_a_wall_taken_for_cover_but_not_into_a_sleeve(plain):
    light = pool((60, 45), height=0.9, radius=25)
    taken = box(60, 35, 75, 55)
    opened = plain.open_lit_set(light, lit=taken, dark=NONE, lamp=NONE)
    assert opened.sum() > 0.8 * taken.sum()
    assert not (opened & (1 - taken)).any()
    sleeve = np.where(taken > 0, 4 * light, light).astype(np.float32)
    assert plain.open_lit_set(sleeve, lit=taken, dark=NONE, lamp=NONE).sum() < 0.1 * taken.sum()


def test_nothing_is_opened_beside_the_lamp_or_the_dark_carrier(plain):
    light = pool((60, 45), height=0.9, radius=25)
    taken, lamp, dark = box(60, 35, 75, 55), box(66, 43, 69, 46), box(74, 35, 80, 55)
    opened = plain.open_lit_set(light, lit=taken, dark=dark, lamp=lamp)
    assert not (opened & (lamp | dark)).any()
    assert opened[44, 65] == 0
    assert opened[44, 73] == 0


def test_scale_does_not_matter_and_black_gives_nothing(plain):
    light = np.where(box(100, 20, 120, 70) > 0, np.float32(0.4), np.float32(0.05))
    brighter = Outlines(np.full(SIZE, 0.4, np.float32), np.full((*SIZE, 3), 0.2, np.float32), 4 * FLOOR, unit=0.5)
    one = plain.close_lit_figures(light, dark=NONE, body=NONE)
    four = brighter.close_lit_figures(4 * light, dark=NONE, body=NONE)
    np.testing.assert_array_equal(one, four)
    black = np.zeros(SIZE, np.float32)
    assert not plain.close_lit_figures(black, dark=NONE, body=NONE).any()
    assert not plain.open_lit_set(black, lit=NONE, dark=NONE, lamp=NONE).any()
