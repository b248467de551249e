"""A view of light as a cube of its signals, looked up between its points."""

import numpy as np
import pytest

from lightstack.core.colour.light import CURVES
from lightstack.core.colour.view_cube import bake_view, look_up_view, place_on_axis
from lightstack.files.read.colour import default_view, display_processor


def draw_light(count=20000, seed=3):
    """Colours that a screen can show, from a 500th of white to three stops above, from grey to one channel alone."""
    draw = np.random.default_rng(seed)
    level, pale = 2 ** draw.uniform(-9, 3, (count, 1)), draw.uniform(0, 1, (count, 1)) ** 1.5
    return (level * (1 - pale + pale * 3 * draw.dirichlet(np.full(3, 0.8), count))).astype(np.float32)[None]


@pytest.mark.parametrize("name", [None, ("sRGB - Display", "Un-tone-mapped")], ids=["tone-mapped", "as it is"])
def test_a_view_is_what_its_processor_makes(name):
    show = display_processor(*(name or default_view()), "bt709")
    cube, light = bake_view(show), draw_light()
    # REFERENCE OpenColorIO's processor. TOLERANCE one display code at the 99.9th percentile, two at worst.
    off = 255 * np.abs(look_up_view(cube, light) - np.clip(show(light.copy()), 0, 1))
    assert np.percentile(off, 99.9) < 0.6 and off.max() < 2
    grey = np.linspace(0, 4, 2001, dtype=np.float32)[None, :, None] * np.ones(3, np.float32)
    shown = look_up_view(cube, grey)
    assert np.ptp(shown, axis=2).max() < 2e-3 and np.all(np.diff(shown[0, :, 1]) >= -1e-6)


def test_black_and_white_lie_on_points():
    # REFERENCE IEC 61966-2-1, sRGB: its curve is in core/colour/curves.py, held against the standard by its own tests
    cube = bake_view(lambda light: CURVES["srgb"].encode(np.clip(light, 0, 1)), below=2, above=64)
    place = place_on_axis(cube, np.array([-8, 0, 1, 64], np.float32))
    np.testing.assert_allclose(place, [0, 2, 33, 66], atol=1e-6)
    signal = look_up_view(cube, np.array([[[1, 0, 1], [1e9, -1e9, np.nan]]], np.float32))
    np.testing.assert_allclose(signal, [[[1, 0, 1], [1, 0, 0]]], atol=1e-6)


def test_channels_keep_their_places():
    cube = bake_view(lambda light: np.clip(light / [1, 2, 4], 0, 1), below=4, above=32)
    light = np.array([[[0.5, 0, 0], [0, 0.5, 0], [0, 0, 0.5], [0.2, 0.6, 0.4]]], np.float32)
    np.testing.assert_allclose(look_up_view(cube, light), light / [1, 2, 4], atol=0.02)
