"""What a person sees: 8-bit sRGB."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.testing import assert_array_equal

from lightstack.core.colour.display import display_srgb

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour


def test_codes_agree_with_colour_science():
    # REFERENCE  colour-science eotf_inverse_sRGB (IEC 61966-2-1).
    # TOLERANCE  the table is exact to 0.02 code, so a code may differ only where the exact one lies on the
    # border.
    light = np.random.default_rng(1).random((64, 300, 3)).astype(np.float32) ** 3
    exact = 255 * colour.models.eotf_inverse_sRGB(light.astype(np.float64))
    assert np.abs(display_srgb(light) - exact).max() <= 0.52


def test_known_codes():
    # REFERENCE  IEC 61966-2-1: 18 % grey is signal 0.461356, code 117.6. TOLERANCE  whole codes.
    light = np.float32([[[0.0, 0.18, 1.0], [-0.5, 2.0, 0.0031308]]])
    assert_array_equal(display_srgb(light), [[[0, 118, 255], [0, 255, 10]]])


def test_primaries_are_converted():
    # REFERENCE  colour-science RGB_to_RGB, BT.2020 to BT.709, then sRGB. TOLERANCE  one code.
    light = np.float32([[[0.3, 0.4, 0.2], [0.5, 0.45, 0.4]]])
    spaces = [colour.RGB_COLOURSPACES[name] for name in ("ITU-R BT.2020", "ITU-R BT.709")]
    linear = colour.RGB_to_RGB(light, *spaces)
    expected = 255 * colour.models.eotf_inverse_sRGB(np.clip(linear, 0, 1))
    assert np.abs(display_srgb(light, "bt2020") - expected).max() <= 1.0


def test_every_linear_code_comes_back():
    codes = np.arange(256, dtype=np.uint8).reshape(1, 256, 1).repeat(3, axis=2)
    light = colour.models.eotf_sRGB(codes / 255.0).astype(np.float32)
    assert_array_equal(display_srgb(light), codes)


def test_exposure_doubles_the_light_and_bad_numbers_stay_in_range():
    light = np.float32([[[0.1, 0.2, 0.3]]])
    assert_array_equal(display_srgb(light, exposure_stops=1.0), display_srgb(2 * light))
    assert_array_equal(display_srgb(np.float32([[[np.nan, np.inf, -np.inf]]])), [[[0, 255, 0]]])


def test_bands_do_not_show():
    light = np.random.default_rng(2).random((700, 5, 3)).astype(np.float32)
    whole = display_srgb(light, "ap1")
    rows = np.concatenate([display_srgb(light[i : i + 1], "ap1") for i in range(700)])
    assert_array_equal(whole, rows)
