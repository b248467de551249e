"""A tossed thing laid in a frame: over, behind a figure, its shadow on the set alone, its grain, its rest."""

import numpy as np
import pytest
from jobs_helpers import shift_by

from lightstack.core.prop.lay import (
    ThingPicture,
    count_rest,
    grain_left,
    lay_thing,
    mean_thing,
    move_thing,
    where_laid,
)

SIZE = (24, 40)


def square(level, *, rows=(8, 16), columns=(12, 24)):
    """A picture that is ``level`` in a box and 0 elsewhere, (H, W)."""
    picture = np.zeros(SIZE, np.float32)
    picture[slice(*rows), slice(*columns)] = level
    return picture


def thing(alpha=1.0, colour=(0.5, 0.2, 0.1), shade=None):
    cover = square(alpha)
    own = cover[..., None] * np.array(colour, np.float32)
    if shade is not None:
        shade = np.repeat((1 - square(1 - shade, columns=(20, 34)))[..., None], 3, axis=2)
    return ThingPicture(cover, own, shade)


def hero():
    return np.random.default_rng(4).random((*SIZE, 3), np.float32)


def test_over_and_bit_exact_where_nothing_is():
    # REFERENCE: Porter & Duff 1984, over of premultiplied pictures: own + (1 - alpha) behind, behind times its shadow
    picture, one = hero(), thing(0.75, shade=0.5)
    laid = lay_thing(picture, one)
    covered = one.alpha > 0
    np.testing.assert_allclose(laid[covered], (one.own + 0.25 * picture * one.shade)[covered], rtol=1e-6)
    only_shade = (one.alpha == 0) & (one.shade[..., 0] < 1)
    np.testing.assert_allclose(laid[only_shade], 0.5 * picture[only_shade], rtol=1e-6)
    assert only_shade.any()
    np.testing.assert_array_equal(laid[~where_laid(one)], picture[~where_laid(one)])


@pytest.mark.parametrize("behind", [False, True])
def test_a_figure_is_before_or_behind_and_takes_no_shadow_of_the_set(behind):
    kept = square(0.6, rows=(0, 24), columns=(18, 30))
    figure = kept[..., None] * np.array([0.9, 0.8, 0.7], np.float32)
    bare = hero()
    picture = figure + (1 - kept[..., None]) * bare
    one = thing(1.0, shade=0.4)
    laid = lay_thing(picture, one, kept=kept, figure=figure, behind=behind)
    # by construction: the figure over (thing over shaded set), or the thing over (figure over shaded set)
    set_part = bare * one.shade
    far = one.own + (1 - one.alpha[..., None]) * set_part
    near = figure + (1 - kept[..., None]) * set_part
    expected = (
        figure + (1 - kept[..., None]) * far if behind else one.own + (1 - one.alpha[..., None]) * near
    )
    np.testing.assert_allclose(laid, expected, atol=1e-6)


def test_no_grain_is_missing_where_the_thing_brings_its_own():
    one = thing(1.0, shade=0.25)
    left = grain_left(one)
    assert (left[one.alpha == 1] == 1).all()
    assert (left[~where_laid(one)] == 1).all()
    shaded = (one.alpha == 0) & where_laid(one)
    # REFERENCE: shot noise, variance a * level: at a quarter of the light a camera makes half the deviation, a picture
    # times a quarter has a quarter of it: half is there
    np.testing.assert_allclose(left[shaded], 0.5)
    held = ThingPicture(one.alpha, one.own, None, frames=16)
    np.testing.assert_allclose(grain_left(held)[one.alpha == 1], 0.25)


def test_a_thing_moves_with_the_hero_and_leaves_nothing_far_away():
    moved = move_thing(thing(shade=0.5), shift_by(5, 3))
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    for axis, middle in ((x, 18 + 5), (y, 12 + 3)):
        assert (axis * moved.alpha).sum() / moved.alpha.sum() == pytest.approx(middle, abs=0.02)
    far = np.hypot(x - 23, y - 15) > 20
    assert not where_laid(moved)[far & (x < 12)].any()
    assert moved.alpha.max() <= 1
    assert moved.own.min() >= 0
    same = thing()
    assert move_thing(same, np.eye(3)) is same


def test_rest_is_told_from_a_slow_end():
    still = np.vstack([np.linspace([0, 0], [30, 10], 6), np.full((5, 2), (30, 10))])
    areas = np.full(11, 100.0)
    assert count_rest(still, areas) == 6
    assert count_rest(np.linspace([0, 0], [30, 10], 11), areas) == 0
    assert count_rest(still, np.r_[areas[:-2], 80, 60]) == 0  # it still turns
    held = mean_thing([thing(0.4), thing(0.8)])
    assert held.frames == 2
    assert held.alpha.max() == pytest.approx(0.6)
