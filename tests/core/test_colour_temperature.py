import warnings

import numpy as np
import pytest

from lightstack.core.colour.colour_temperature import find_temperature, locus_rgb, rgb_to_uv, shift_mired
from lightstack.core.colour.light import rgb_to_xyz
from lightstack.errors import SettingError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    colour = pytest.importorskip("colour")


def uv_1976(xy):
    x, y = xy
    return np.array([4 * x, 9 * y]) / (-2 * x + 12 * y + 3)


@pytest.mark.parametrize("kelvin", [1500, 2000, 2856, 3200, 4300, 5600, 10_000, 15_000])
def test_black_bodies_match_plancks_law(kelvin):
    # REFERENCE  Planck's law summed over the CIE 1931 2 degree observer by colour-science.
    # TOLERANCE  2e-4 in u, v of 1960; Krystek (1985) states less than 8e-5 to 15 000 K, another observer table.
    xyz = colour.sd_to_XYZ(colour.sd_blackbody(kelvin))
    expected = uv_1976(colour.XYZ_to_xy(xyz))
    assert np.abs(rgb_to_uv(locus_rgb(kelvin, "ap0"), "ap0") - expected).max() < 2e-4 * 1.5


@pytest.mark.parametrize("kelvin", [4000, 5003, 6504, 7000, 7001, 12_000, 25_000])
def test_daylight_matches_the_standard(kelvin):
    # REFERENCE  CIE 15, daylight locus, as colour-science has it.
    # TOLERANCE  the same polynomial: rounding.
    expected = uv_1976(colour.temperature.CCT_to_xy_CIE_D(kelvin))
    np.testing.assert_allclose(rgb_to_uv(locus_rgb(kelvin, "bt2020", locus="daylight"), "bt2020"), expected, atol=1e-6)


@pytest.mark.parametrize("rgb", [(1, 0.8, 0.5), (1, 0.45, 0.12), (0.8, 0.9, 1.0), (1, 1, 1), (1.0, 0.7, 0.55)])
def test_a_colours_temperature_matches_ohno(rgb):
    # REFERENCE  Ohno (2013), Practical use and calculation of CCT and Duv, by colour-science.
    # TOLERANCE  0.3 % of the temperature and 3e-4 of the distance.
    xyz = rgb_to_xyz("bt709") @ np.array(rgb, float)
    kelvin, off = colour.temperature.uv_to_CCT_Ohno2013(colour.UCS_to_uv(colour.XYZ_to_UCS(xyz)))
    found = find_temperature(np.array(rgb, float), "bt709")
    assert found[0] == pytest.approx(kelvin, rel=3e-3)
    assert found[1] == pytest.approx(off, abs=3e-4)


def test_mired_shifts_add():
    # REFERENCE  1e6 / 5600 + 159 = 337.57 mired = 2962 K (common practice: full orange marked +159).
    assert shift_mired(5600, 159) == pytest.approx(2962.3, abs=0.5)
    assert shift_mired(shift_mired(5600, 159), -159) == pytest.approx(5600)


def test_what_does_not_exist_is_refused():
    with pytest.raises(SettingError, match="daylight locus"):
        locus_rgb(3200, "bt709", locus="daylight")
    with pytest.raises(SettingError, match="leaves the locus"):
        shift_mired(2000, 900)
    with pytest.raises(SettingError, match="without light"):
        rgb_to_uv(np.zeros(3), "bt709")
