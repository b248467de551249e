"""Light laid over a picture."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightstack.core.lay.lay import LAYING_RULES, add_light, held_back, lay_light, lay_rounded, round_half
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


def test_rounding_is_that_of_half_floats_and_leaves_what_they_do_not_reach():
    # REFERENCE  IEEE 754-2019 binary16, round to nearest, ties to even, as numpy converts. TOLERANCE  none.
    bits = np.random.default_rng(1).integers(0, 2**32, 1_000_000, dtype=np.uint32)
    small = [2.0**-24, 2.0**-25, 3 * 2.0**-25, -(2.0**-26)]
    edges = np.float32([0, -0.0, 65504, -65504, 65503, 65505, 1e6, np.inf, *small])
    values = np.r_[bits.view(np.float32), edges, np.arange(65536, dtype=np.uint16).view(np.float16).astype(np.float32)]
    with np.errstate(all="ignore"):
        want = np.where(np.abs(values) <= 65504, values.astype(np.float16).astype(np.float32), values)
    got = round_half(values)
    np.testing.assert_array_equal(got, want)
    known = ~np.isnan(want)
    assert (np.signbit(got) == np.signbit(want))[known].all()
    assert round_half(values, values) is values
    np.testing.assert_array_equal(values, want)


@pytest.mark.parametrize("removed", [None, 0.25])
def test_lights_are_added_up_as_written_out_at_length(removed):
    rng = np.random.default_rng(3)
    plates = rng.normal(0.2, 0.3, (2, 9, 11, 3)).astype(np.float32)
    held = rng.random((9, 11), np.float32)
    gone = None if removed is None else np.full((9, 11), removed, np.float32)
    kept = held_back(held, gone)
    total = add_light(add_light(None, plates[0], kept, 0.7), plates[1], None, 1.5)
    left = 1 - held * (1 - (removed or 0))
    np.testing.assert_allclose(total, plates[0] * left[..., None] * 0.7 + plates[1] * 1.5, rtol=1e-5, atol=1e-6)
    assert held_back(None, gone) is None


def test_light_laid_in_one_pass_is_that_of_the_rule():
    hero, light = pictures(8)
    hero[0, 0], light[:3], light[3, :, 1:] = [-0.0, np.inf, np.nan], 0, 0
    light, before = round_half(light), hero.copy()
    changed = np.zeros((9, 11), bool)
    changed[1, 1] = True  # by a patch
    relit = lay_rounded(hero, light, changed)
    assert relit.tobytes() == lay_light(round_half(hero), light).tobytes()
    assert hero.tobytes() == before.tobytes()
    want = (light != 0).any(axis=-1)
    want[1, 1] = True
    np.testing.assert_array_equal(changed, want)
