"""Evidence for cover: each measurement by construction, against a slow twin, and its blind spots."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import uniform_filter

from lightstack.core.sweep.evidence import (
    AMBIENT_MISMATCH,
    CEILING_GAP,
    FIT_RADII,
    LIGHT_MISMATCH,
    UNEVEN_COST,
    CoverGauge,
    average_scene_light,
    brightest_channel,
    find_ceiling,
    measure_disagreement,
)
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SHAPE = (60, 90, 3)


def textured(rng, level):
    return (level * (0.4 + 1.2 * rng.random(SHAPE))).astype(np.float32)


def noisy(rng, light, ambient):
    return (light + NOISE.sigma(ambient + np.maximum(light, 0)) * rng.standard_normal(SHAPE)).astype(np.float32)


def test_cover_is_one_where_the_ambient_has_gone_and_zero_where_it_has_not():
    rng = np.random.default_rng(1)
    ambient = textured(rng, 0.02)
    light = np.zeros(SHAPE, np.float32)
    light[20:40, 30:60] = -ambient[20:40, 30:60]
    cover = CoverGauge(ambient, NOISE).measure(noisy(rng, light, ambient))
    assert np.median(cover[24:36, 34:56]) == pytest.approx(1, abs=0.25)
    assert (cover[24:36, 34:56] > 0.5).mean() > 0.99
    outside = np.ones(SHAPE[:2], bool)
    outside[14:46, 24:66] = False
    assert (cover[outside] > 0.5).mean() < 0.01


def test_cover_at_pixel_scale_equals_its_slow_twin():
    rng = np.random.default_rng(2)
    ambient = textured(rng, 0.5)  # so bright that single pixels suffice
    light = noisy(rng, -0.3 * ambient, ambient)
    cover = CoverGauge(ambient, NOISE).measure(light)
    slow = np.array([[max(-min(light[y, x, c], NOISE.sigma(ambient)[y, x, c]) / ambient[y, x, c] for c in range(3))
                      for x in range(90)] for y in range(60)])  # fmt: skip
    np.testing.assert_allclose(cover, slow, rtol=1e-4, atol=1e-5)


def test_lamp_light_and_a_black_room_are_no_cover():
    rng = np.random.default_rng(3)
    ambient = textured(rng, 0.02)
    gauge = CoverGauge(ambient, NOISE)
    assert (gauge.measure(noisy(rng, 2 * ambient, ambient)) > 0.5).sum() == 0
    black = np.zeros(SHAPE, np.float32)
    assert (CoverGauge(black, NOISE).measure(noisy(rng, black, black)) > 0.5).sum() == 0


def test_disagreement_equals_its_slow_twin():
    # REFERENCE  scipy.ndimage.uniform_filter for the window sums.
    # TOLERANCE  float32 sums of about 100 terms: 1e-3 relative to the larger of the two misfits.
    rng = np.random.default_rng(4)
    ambient, scene = textured(rng, 0.02), textured(rng, 0.2)
    light = noisy(rng, 0.7 * scene, ambient)
    variance = NOISE.a * (ambient + np.maximum(light, 0)) + NOISE.b
    w = 1 / (variance + (LIGHT_MISMATCH * light) ** 2 + (AMBIENT_MISMATCH * ambient) ** 2)
    for radius, ours in zip(FIT_RADII, measure_disagreement(light, ambient, scene, noise=NOISE), strict=True):
        side = 2 * radius + 1

        def window(x, side=side):
            return uniform_filter(x, (side, side, *[0] * (x.ndim - 2)), mode="mirror") * side**2

        gain = np.maximum(window((w * light * scene).sum(-1)) / window((w * scene**2).sum(-1)), 0)
        misfit = window((w * light**2).sum(-1)) - 2 * gain * window((w * light * scene).sum(-1))
        misfit += gain**2 * window((w * scene**2).sum(-1))
        total = light + ambient
        level = np.maximum(window(w * total) / window(w), 0)
        patch = (window(w * total**2) - 2 * level * window(w * total) + level**2 * window(w)).sum(-1)
        patch += UNEVEN_COST * np.maximum(patch - 3 * side**2, 0)
        inner = slice(radius + 1, -radius - 1)
        scale = np.maximum(misfit, patch)
        assert np.abs((ours - (misfit - patch)) / scale)[inner, inner].max() < 5e-3


def test_an_even_patch_disagrees_and_the_set_and_its_shadows_do_not():
    rng = np.random.default_rng(5)
    ambient, scene = textured(rng, 0.02), textured(rng, 0.2)
    small, _ = measure_disagreement(noisy(rng, 0.6 * scene, ambient), ambient, scene, noise=NOISE)
    assert np.median(small) < -100
    shadow, _ = measure_disagreement(noisy(rng, 0 * scene, ambient), ambient, scene, noise=NOISE)
    assert (shadow > 6).mean() < 0.01
    sleeve, _ = measure_disagreement(noisy(rng, 0.15 - ambient, ambient), ambient, scene, noise=NOISE)
    assert np.median(sleeve) > 100


def test_ceiling_lies_in_the_gap_under_a_few_far_brighter_frames():
    frames = np.linspace(0.01, 0.2, 100, dtype=np.float32)[:, None, None] * np.ones((1, 3, 4), np.float32)
    floor = np.full((3, 4), 1e-3, np.float32)
    assert np.isinf(find_ceiling(frames, floor)).all()
    frames[40:44, 1, 2] = [0.9, 1.0, 0.95, 1.0]
    ceiling = find_ceiling(frames, floor)
    assert 0.2 < ceiling[1, 2] < 0.9
    assert np.isinf(np.delete(ceiling.ravel(), 6)).all()


def test_ceiling_equals_its_slow_twin_and_ignores_the_order_of_frames():
    rng = np.random.default_rng(6)
    frames = np.exp(rng.normal(-3, 1.5, (60, 4, 5))).astype(np.float32)
    floor = np.full((4, 5), 0.01, np.float32)
    fast = find_ceiling(frames, floor)
    np.testing.assert_array_equal(fast, find_ceiling(frames[rng.permutation(60)], floor))
    for y in range(4):
        for x in range(5):
            values = sorted(frames[:, y, x], reverse=True)
            expected = np.inf
            for i in range(6):  # 10 % of 60 frames may lie above
                above, below = values[i] + 0.01, values[i + 1] + 0.01
                if above >= CEILING_GAP * below:
                    expected = np.sqrt(above * below) - 0.01
            assert fast[y, x] == pytest.approx(expected, rel=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_brightest_channel_is_the_maximum(seed):
    picture = np.random.default_rng(seed).normal(size=(5, 7, 3)).astype(np.float32)
    np.testing.assert_array_equal(brightest_channel(picture), picture.max(-1))


def test_scene_light_is_the_mean_of_the_open_frames():
    frames = [np.full((2, 2, 3), v, np.float32) for v in (0.1, 0.3, 9.0)]
    masks = [np.ones((2, 2), bool), np.ones((2, 2), bool), np.zeros((2, 2), bool)]
    masks[1][0, 0] = masks[0][1, 1] = masks[1][1, 1] = False
    expected = np.array([[0.1, 0.2], [0.2, 0.0]])
    np.testing.assert_allclose(average_scene_light(frames, masks)[..., 0], expected, rtol=1e-6)
