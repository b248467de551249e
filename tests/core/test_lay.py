"""Light laid over a picture."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightstack.core.lay import LAYING_RULES, lay_light
from lightstack.errors import SettingError


def pictures(seed, low=-0.1, high=3.0):
    rng = np.random.default_rng(seed)
    return rng.uniform(low, high, (2, 9, 11, 3)).astype(np.float32)


@pytest.mark.parametrize("rule", sorted(LAYING_RULES))
def test_the_hero_is_untouched_where_no_light_falls(rule):
    hero, light = pictures(1)
    hero[0, 0] = [-0.0, np.inf, np.nan]
    light[:5] = 0
    light[5] = -0.0
    relit = lay_light(hero, light, rule=rule)
    assert relit[:6].tobytes() == hero[:6].tobytes()
    assert (relit[6:] != hero[6:]).any()


def test_plus_adds():
    hero, light = pictures(2)
    np.testing.assert_array_equal(lay_light(hero, light), hero + light)


@given(st.floats(0, 1, width=32), st.floats(0, 1, width=32))
@settings(max_examples=50)
def test_screen_is_the_standards_within_its_range(backdrop, source):
    # REFERENCE  W3C Compositing and Blending Level 1, "screen": B(Cb, Cs) = Cb + Cs - Cb x Cs.
    # TOLERANCE  float32, 1e-6.
    relit = lay_light(
        np.full((1, 1, 3), backdrop, np.float32), np.full((1, 1, 3), source, np.float32), rule="screen"
    )
    np.testing.assert_allclose(relit, backdrop + source - backdrop * source, atol=1e-6)


def test_screen_never_darkens_and_adds_nothing_above_white():
    # REFERENCE  the standard's own formula turns 2 and 2 into 0; here 2 stays 2.
    hero, light = pictures(3, low=0.0)
    for white in (0.5, 1.0, 4.0):
        relit = lay_light(hero, light, rule="screen", white=white)
        assert (relit >= hero).all()
        np.testing.assert_array_equal(relit[hero >= white], hero[hero >= white])
        assert (relit[hero < white] > hero[hero < white]).all()


def test_gain_scales_what_plus_adds():
    hero, light = pictures(4)
    np.testing.assert_allclose(
        lay_light(hero, 2 * light) - hero, 2 * (lay_light(hero, light) - hero), rtol=1e-4, atol=1e-5
    )


def test_bad_settings_are_refused():
    hero, light = pictures(5)
    with pytest.raises(SettingError, match="unknown"):
        lay_light(hero, light, rule="glow")
    with pytest.raises(SettingError, match="white"):
        lay_light(hero, light, rule="screen", white=0)


def test_neither_picture_is_changed():
    hero, light = pictures(6)
    before = hero.copy(), light.copy()
    for rule in LAYING_RULES:
        lay_light(hero, light, rule=rule)
    np.testing.assert_array_equal(hero, before[0])
    np.testing.assert_array_equal(light, before[1])
