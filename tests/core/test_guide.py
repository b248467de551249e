"""The guide: who wins at a pixel."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.sweep.guide import make_guide, measure_guide_noise, plan_guide
from lightstack.errors import SettingError
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.array([2e-4, 1e-4, 3e-4]), np.array([4e-6, 3e-6, 6e-6]))


def film(rng, clean, noise=NOISE):
    return (
        clean + rng.standard_normal(clean.shape) * np.sqrt(noise.a * np.maximum(clean, 0) + noise.b)
    ).astype(np.float32)


def make_guide_slowly(light, ambient, recipe):
    """Slow twin, full size only: stabilise, project, two Gaussians of scipy, change over by level."""
    floor = recipe.a * np.maximum(ambient, 0) + recipe.b
    z = 2 * light / (np.sqrt(floor) + np.sqrt(np.maximum(floor + recipe.a * light, floor / 4)))
    level = z.astype(np.float64) @ recipe.projection.T

    def blur(radius):
        return ndimage.gaussian_filter(level, (radius, radius, 0), mode="mirror", truncate=4.0)

    t = np.clip((blur(recipe.wide_px) - 2) / 3, 0, 1)
    return blur(recipe.wide_px) + t * t * (3 - 2 * t) * (blur(recipe.fine_px) - blur(recipe.wide_px))


@pytest.mark.parametrize("by", ["brightest", "channel"])
def test_agrees_with_the_slow_twin(by):
    # REFERENCE  scipy.ndimage.gaussian_filter.
    # TOLERANCE  0.02 sigma + 1e-3: both cut their kernels, at other lengths. Rims left out: borders differ.
    rng = np.random.default_rng(1)
    ambient = rng.uniform(0, 0.05, (60, 70, 3)).astype(np.float32)
    light = (rng.uniform(-0.005, 0.02, (60, 70, 3)) + np.linspace(0, 0.3, 70)[:, None] ** 2).astype(
        np.float32
    )
    recipe = plan_guide(NOISE, width=70, colour=np.array([0.5, 0.1, 1.0]), by=by)
    inner = (slice(10, -10), slice(10, -10))
    guide = make_guide(light, ambient, recipe)
    assert guide.dtype == np.float32
    np.testing.assert_allclose(
        guide[inner], make_guide_slowly(light, ambient, recipe)[inner], rtol=2e-3, atol=0.03
    )


@pytest.mark.parametrize("width", [400, 3840])
def test_noise_of_the_guide_is_what_the_recipe_says(width):
    rng = np.random.default_rng(2)
    ambient = np.tile(np.linspace(0, 0.2, 400, dtype=np.float32)[None, :, None], (300, 1, 3))
    recipe = plan_guide(NOISE, width=width, colour=np.array([0.5, 0.1, 1.0]))
    guide = make_guide(film(rng, ambient) - ambient, ambient, recipe)
    assert guide[..., 0].std() == pytest.approx(recipe.spread[0], rel=0.06)
    own = (film(rng, ambient) - ambient) / np.sqrt(recipe.a * ambient + recipe.b)
    assert own.std() == pytest.approx(1, rel=0.01)


def test_flat_light_is_read_in_sigma_of_one_frame():
    # REFERENCE  by construction: light of k standard deviations of an unlit frame, all of it in blue.
    # TOLERANCE  1e-3 relative.
    noise = NoiseModel(np.zeros(3), np.full(3, 1e-6))
    recipe = plan_guide(noise, width=64, by="channel")
    light = np.zeros((40, 64, 3), np.float32)
    light[..., 2] = 0.007
    guide = make_guide(light, np.zeros_like(light), recipe)
    np.testing.assert_allclose(guide[..., 2], 7, rtol=1e-3)
    np.testing.assert_allclose(guide[..., :2], 0, atol=1e-6)


def test_guide_rises_with_the_light_at_any_level():
    ambient = np.full((30, 30, 3), 0.1, np.float32)
    recipe = plan_guide(NOISE, width=30)
    levels = [
        float(make_guide(np.full_like(ambient, v), ambient, recipe)[15, 15, 0])
        for v in (-0.01, 0, 0.01, 1, 2, 9)
    ]
    assert np.all(np.diff(levels) > 0)


def test_what_is_not_valid_does_not_bleed():
    ambient = np.zeros((40, 40, 3), np.float32)
    light = np.full((40, 40, 3), 0.004, np.float32)
    light[15:25, 15:25] = 500
    valid = np.ones((40, 40), np.float32)
    valid[15:25, 15:25] = 0
    for width in (40, 3840):
        recipe = plan_guide(NOISE, width=width)
        guide = make_guide(light, ambient, recipe, valid=valid)[valid > 0]
        np.testing.assert_allclose(guide, guide[0, 0], rtol=0.02)


def test_light_that_is_no_number_counts_as_none():
    light = np.full((40, 40, 3), 0.01, np.float32)
    light[20, 20] = np.nan
    light[5, 5] = np.inf
    for width in (40, 3840):
        assert np.isfinite(make_guide(light, np.zeros_like(light), plan_guide(NOISE, width=width))).all()


def test_half_size_agrees_with_full_size():
    rng = np.random.default_rng(3)
    ambient = np.full((120, 161, 3), 0.02, np.float32)
    wave = 0.02 * (1 + np.sin(np.arange(161) / 9))[None, :, None]
    light = (np.broadcast_to(wave, ambient.shape) + 0.001 * rng.standard_normal(ambient.shape)).astype(
        np.float32
    )
    half = plan_guide(NOISE, width=3840)
    full = replace(half, half=False)
    a, b = make_guide(light, ambient, half), make_guide(light, ambient, full)
    assert half.half
    assert a.shape == b.shape == (120, 161, 1)
    assert np.abs(a - b).mean() < 0.1


def test_a_band_with_a_margin_comes_out_as_in_the_whole():
    rng = np.random.default_rng(4)
    ambient = np.full((120, 50, 3), 0.01, np.float32)
    light = film(rng, np.full_like(ambient, 0.005)) - ambient
    for width in (50, 3840):
        recipe = plan_guide(NOISE, width=width)
        whole = make_guide(light, ambient, recipe)
        margin = 2 * int(np.ceil(2.5 * recipe.wide_px))
        band = make_guide(light[40 - margin : 80 + margin], ambient[40 - margin : 80 + margin], recipe)
        np.testing.assert_allclose(band[margin:-margin], whole[40:80], atol=1e-3)


def correlated(rng, shape, blur):
    noise = cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), blur)
    return noise / noise.std()


def test_noise_that_hangs_together_is_measured_and_not_assumed():
    rng = np.random.default_rng(5)
    ambient = np.full((400, 500, 3), 0.02, np.float32)
    sigma = np.sqrt(NOISE.a * ambient + NOISE.b)
    recipe = plan_guide(NOISE, width=500)
    white = measure_guide_noise(sigma * rng.standard_normal(ambient.shape), ambient, recipe)
    np.testing.assert_allclose(white.spread, recipe.spread, rtol=0.06)
    np.testing.assert_allclose(white.pull_wide, recipe.pull_wide, rtol=0.25)
    np.testing.assert_allclose(white.pull_fine, recipe.pull_fine, rtol=0.05)
    assert white.wide_px == recipe.wide_px
    blotchy = measure_guide_noise(sigma * correlated(rng, ambient.shape, 1.2), ambient, recipe)
    assert blotchy.wide_px > recipe.wide_px
    again = make_guide(sigma * correlated(rng, ambient.shape, 1.2), ambient, blotchy)
    assert again.std() == pytest.approx(blotchy.spread[0], rel=0.12)


def test_a_wrong_noise_model_is_put_right():
    rng = np.random.default_rng(6)
    ambient = np.full((300, 300, 3), 0.02, np.float32)
    sigma = np.sqrt(NOISE.a * ambient + NOISE.b)
    right = plan_guide(NOISE, width=300)
    wrong = plan_guide(NoiseModel(NOISE.a * 4, NOISE.b * 4), width=300)
    measured = measure_guide_noise(sigma * rng.standard_normal(ambient.shape), ambient, wrong)
    light = 5 * sigma.astype(np.float32)
    np.testing.assert_allclose(
        make_guide(light, ambient, measured), make_guide(light, ambient, right), rtol=0.05
    )


def test_unknown_by_is_refused():
    with pytest.raises(SettingError, match="brightest"):
        plan_guide(NOISE, width=100, by="luck")


def test_tiny_pictures_pass():
    for shape in ((1, 1, 3), (2, 3, 3), (17, 1, 3)):
        zero = np.zeros(shape, np.float32)
        assert make_guide(zero, zero, plan_guide(NOISE, width=shape[1])).shape == (*shape[:2], 1)
