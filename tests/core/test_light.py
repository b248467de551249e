"""Primaries, matrices and luminance against the published numbers and against colour-science."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from lightstack.core.colour.light import (
    CURVE_PRIMARIES,
    CURVES,
    PRIMARIES,
    apply_matrix,
    convert_matrix,
    custom_primaries,
    find_curve,
    find_primaries,
    gain_to_stops,
    luminance_weights,
    match_primaries,
    relative_luminance,
    rgb_to_xyz,
    stops_to_gain,
    ycbcr_weights,
)
from lightstack.errors import SettingError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science announces optional packages that are not installed
    import colour


def test_primaries_agree_with_colour_science():
    # REFERENCE  colour-science's RGB colour spaces. TOLERANCE  1e-9 in xy.
    names = {
        "bt709": "ITU-R BT.709",
        "bt2020": "ITU-R BT.2020",
        "p3d65": "P3-D65",
        "bt601_525": "SMPTE C",
        "ap0": "ACES2065-1",
        "ap1": "ACEScg",
        "awg3": "ARRI Wide Gamut 3",
        "awg4": "ARRI Wide Gamut 4",
        "sgamut": "S-Gamut",
        "sgamut3": "S-Gamut3",
        "sgamut3cine": "S-Gamut3.Cine",
        "vgamut": "V-Gamut",
        "cinemagamut": "Cinema Gamut",
        "fgamut": "F-Gamut",
        "ngamut": "N-Gamut",
        "rwg": "REDWideGamutRGB",
        "dgamut": "DJI D-Gamut",
    }
    for ours, theirs in names.items():
        space = colour.RGB_COLOURSPACES[theirs]
        expected = [*space.primaries.ravel(), *space.whitepoint]
        np.testing.assert_allclose(PRIMARIES[ours].chromaticities, expected, atol=1e-9, err_msg=ours)
        judged = colour.normalised_primary_matrix(space.primaries, space.whitepoint)
        np.testing.assert_allclose(rgb_to_xyz(ours), judged, atol=1e-9, err_msg=ours)
    # REFERENCE  ITU-R BT.601-7 item 1.2: EBU primaries. TOLERANCE  exact.
    assert PRIMARIES["bt601_625"].chromaticities == (0.64, 0.33, 0.29, 0.60, 0.15, 0.06, 0.3127, 0.3290)


def test_every_curve_has_primaries():
    assert set(CURVE_PRIMARIES) == set(CURVES)
    assert set(CURVE_PRIMARIES.values()) <= set(PRIMARIES)


def test_convert_matrix_matches_published_matrices():
    # REFERENCE  ITU-R BT.2087-0 table 2 (BT.709 to BT.2020, four digits). TOLERANCE  its rounding.
    expected = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
    np.testing.assert_allclose(convert_matrix("bt709", "bt2020"), expected, atol=5.1e-5)
    # REFERENCE  AMPAS TB-2014-004: AP0 to AP1. TOLERANCE  ten printed digits.
    expected = [
        [1.4514393161, -0.2365107469, -0.2149285693],
        [-0.0765537734, 1.1762296998, -0.0996759264],
        [0.0083161484, -0.0060324498, 0.9977163014],
    ]
    np.testing.assert_allclose(convert_matrix("ap0", "ap1"), expected, atol=1e-9)


@pytest.mark.parametrize(
    ("source", "target"), [("bt709", "ap1"), ("awg4", "ap0"), ("rwg", "bt709"), ("ap1", "p3d65")]
)
def test_convert_matrix_adapts_the_white_like_colour_science(source, target):
    # REFERENCE  colour-science matrix_RGB_to_RGB with Bradford, primary matrices derived, not the rounded
    # ones. TOLERANCE  1e-9.
    spaces = []
    for name in (source, target):
        p = PRIMARIES[name]
        spaces.append(colour.RGB_Colourspace(name, [p.red, p.green, p.blue], p.white))
    expected = colour.matrix_RGB_to_RGB(*spaces, "Bradford")
    np.testing.assert_allclose(convert_matrix(source, target), expected, atol=1e-9)
    np.testing.assert_allclose(convert_matrix(source, target).sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(
        convert_matrix(source, target) @ convert_matrix(target, source), np.eye(3), atol=1e-12
    )


def test_equal_primaries_convert_bit_for_bit():
    assert np.array_equal(convert_matrix("fgamut", "bt2020"), np.eye(3))
    pixels = np.float32([[[0.1, -0.2, 5.0]]])
    assert np.array_equal(apply_matrix(pixels, convert_matrix("sgamut", "sgamut3")), pixels)


def test_apply_matrix_equals_the_plain_product():
    rng = np.random.default_rng(3)
    pixels = rng.normal(size=(5, 7, 3))
    matrix = convert_matrix("bt709", "ap1")
    expected = np.array([[matrix @ pixel for pixel in row] for row in pixels])
    np.testing.assert_allclose(apply_matrix(pixels, matrix), expected, rtol=1e-12)
    assert apply_matrix(pixels.astype(np.float32), matrix).dtype == np.float32


def test_luminance_weights_are_exact_not_rounded():
    # REFERENCE  Y row of BT.709 from its chromaticities (SMPTE RP 177): 0.2126390059 0.7151686788
    # 0.0721923154. TOLERANCE  ten printed digits.
    np.testing.assert_allclose(
        luminance_weights("bt709"), [0.2126390059, 0.7151686788, 0.0721923154], atol=1e-10
    )
    white = np.ones((1, 1, 3), np.float32)
    assert relative_luminance(white, "ap0") == pytest.approx(1.0, abs=1e-6)
    assert relative_luminance(white, "ap0").shape == (1, 1)


def test_ycbcr_weights_are_the_rounded_standards():
    # REFERENCE  colour-science WEIGHTS_YCBCR. TOLERANCE  exact.
    names = {"bt601": "ITU-R BT.601", "bt709": "ITU-R BT.709", "bt2020": "ITU-R BT.2020"}
    for ours, theirs in names.items():
        assert tuple(colour.WEIGHTS_YCBCR[theirs]) == ycbcr_weights(ours)


def test_stops_and_gains():
    # REFERENCE  a stop is a factor of two; inverse square law, 1 m to 2 m: two stops (handbook). TOLERANCE
    # exact.
    np.testing.assert_array_equal(stops_to_gain([0, 1, -2, -np.inf]), [1, 2, 0.25, 0])
    np.testing.assert_array_equal(gain_to_stops([1, 2, 0.25, 0]), [0, 1, -2, -np.inf])
    with pytest.raises(SettingError, match="zero or more"):
        gain_to_stops(-1.0)


def test_custom_primaries_spell_themselves_out():
    numbers = (0.64, 0.33, 0.21, 0.71, 0.15, 0.06, 0.3127, 0.329)
    custom = custom_primaries(numbers)
    assert find_primaries(custom.name).chromaticities == numbers
    np.testing.assert_allclose(convert_matrix(custom.name, "bt709").sum(axis=1), 1.0, atol=1e-12)
    assert match_primaries(PRIMARIES["ap1"].chromaticities) == "ap1"
    assert match_primaries(numbers) is None
    assert match_primaries(numbers[:6]) is None


@pytest.mark.parametrize("bad", [[0.3] * 8, [0.64, 0.33], [np.nan] * 8])
def test_custom_primaries_refuse_nonsense(bad):
    with pytest.raises(SettingError, match="no set of primaries"):
        custom_primaries(bad)


def test_unknown_names_offer_the_nearest():
    with pytest.raises(SettingError, match="slog3"):
        find_curve("s-log 3")
    with pytest.raises(SettingError, match="bt2020"):
        find_primaries("rec2020")
    with pytest.raises(SettingError, match="bt601, bt709, bt2020"):
        ycbcr_weights("bt470")
