import warnings

import numpy as np
import pytest
from made.lit_figure import light_set
from made.scene import GELS

from lightstack.core.colour.colour_temperature import locus_rgb, rgb_to_uv
from lightstack.core.colour.light import luminance_weights
from lightstack.core.lay.regel import (
    add_green,
    find_dark,
    find_target,
    lamp_from_plate,
    lamp_over_set,
    regel_gains,
    regel_light,
)
from lightstack.errors import SettingError
from lightstack.records import NoiseModel

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    colour = pytest.importorskip("colour")

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
WHITE = np.array([1.0, 0.92, 0.80])


def chromaticity(picture):
    """Return u'v' of a picture's mean by colour-science."""
    xyz = colour.RGB_to_XYZ(picture.reshape(-1, 3).mean(0).astype(float), "ITU-R BT.709", apply_cctf_decoding=False)
    return colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz))


@pytest.mark.parametrize("seed", [611, 612])
@pytest.mark.parametrize("gel", ["amber", "blue"])
def test_a_white_lamp_regelled_is_the_room_lit_through_the_gel(seed, gel):
    # REFERENCE  the same made room by a white lamp and by a gelled one; u'v' by colour-science.
    # TOLERANCE  0.003 in u'v': below it two lights are taken to be of one colour (common practice).
    white, gelled, rgb = light_set(seed, "none"), light_set(seed, gel), GELS[gel]
    made = regel_gains(WHITE, np.array(rgb), "bt709")
    shown = white.plate * made.gains
    unclipped = (white.plate < 0.9).all(-1) & (gelled.plate < 0.9).all(-1)
    ours, theirs = chromaticity(shown[unclipped]), chromaticity(gelled.plate[unclipped])
    assert np.linalg.norm(np.subtract(ours, theirs)) <= 0.003
    assert made.missing < 1e-9


@pytest.mark.parametrize("seed", [613, 614])
def test_the_lamps_colour_is_estimated_from_what_it_lit(seed):
    # TOLERANCE  0.04 in u'v': the walls of these rooms are not grey in the mean, which nothing but a card can tell.
    found = lamp_from_plate(light_set(seed, "none").plate, noise=NOISE)
    assert np.linalg.norm(rgb_to_uv(found, "bt709") - rgb_to_uv(WHITE, "bt709")) < 0.04


def test_against_a_white_light_the_sets_colours_do_not_count():
    rng = np.random.default_rng(5)
    surface = rng.uniform(0.05, 0.7, (40, 60, 3)).astype(np.float32) * (1, 0.6, 0.3)
    lamp = np.array([0.3, 0.6, 1.0])
    found = lamp_over_set(surface * 0.8 * lamp, surface * 0.5, noise=NOISE)
    np.testing.assert_allclose(found, lamp, rtol=1e-3)


def test_keeping_luminance_or_energy():
    # REFERENCE  ITU-R BT.709 luminance weights, through colour-science's matrix.
    weights = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_RGB_to_XYZ[1]
    lamp, wanted = np.array([1.0, 0.9, 0.7]), np.array([0.4, 0.5, 1.0])
    made = regel_gains(lamp, wanted, "bt709", keep="luminance", most_gain=100)
    assert made.reached @ weights == pytest.approx(lamp @ weights, rel=1e-4)
    energy = regel_gains(lamp, wanted, "bt709", keep="energy", most_gain=100)
    assert energy.reached.sum() == pytest.approx(lamp.sum())


def test_from_a_saturated_gel_the_reachable_part_is_told():
    lamp, wanted = np.array([1.0, 0.035, 0.02]), np.array([1.0, 1.0, 1.0])
    made = regel_gains(lamp, wanted, "bt709", most_gain=4)
    assert made.gains.max() == pytest.approx(4)
    # REFERENCE  distance of the two colours in u'v' by colour-science.
    distance = np.linalg.norm(np.subtract(chromaticity(made.wanted), chromaticity(made.reached)))
    assert made.missing == pytest.approx(distance, abs=2e-4)
    assert made.missing > 0.1
    assert made.reached @ luminance_weights("bt709") == pytest.approx(lamp @ luminance_weights("bt709"), rel=1e-6)


def test_a_colour_temperature_is_reached():
    wanted = find_target(WHITE, "bt709", kelvin=3200)
    made = regel_gains(WHITE, wanted, "bt709")
    xyz = colour.sd_to_XYZ(colour.sd_blackbody(3200))
    expected = colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz))
    assert np.linalg.norm(rgb_to_uv(made.reached, "bt709") - expected) < 0.003


def test_mired_shifts_move_along_the_locus_and_need_a_temperature():
    start = locus_rgb(5600, "bt709")
    moved = find_target(start, "bt709", mired=159)
    assert np.linalg.norm(rgb_to_uv(moved, "bt709") - rgb_to_uv(locus_rgb(2962.3, "bt709"), "bt709")) < 1e-3
    with pytest.raises(SettingError, match="no colour temperature"):
        find_target(np.array([0.42, 0.02, 1.0]), "bt709", mired=50)


def test_green_steps():
    # REFERENCE  common practice: a full correction gel is CC30, density 0.30 = half the light (from memory).
    np.testing.assert_allclose(add_green(np.ones(3), 1), [0.501, 1, 0.501], atol=1e-3)
    np.testing.assert_allclose(add_green(np.ones(3), -1), [1, 0.501, 1], atol=1e-3)
    np.testing.assert_allclose(add_green(add_green(np.ones(3), 0.5), 0.5), add_green(np.ones(3), 1))
    np.testing.assert_array_equal(add_green(np.ones(3), 0), 1)


def test_dark_channels_are_told_where_they_are_raised():
    plate = np.zeros((8, 16, 3), np.float32)
    plate[:, 8:] = (0.4, 0.001, 0.2)  # green drowns, and there is light
    dark = find_dark(plate, np.array([0.5, 6.0, 1.0]), noise=NOISE)
    assert dark[:, 8:, 1].all()
    assert not dark[:, :8].any()
    assert not dark[..., [0, 2]].any()
    assert not find_dark(plate, np.ones(3), noise=NOISE).any()


def test_clipped_light_does_not_take_the_colour_of_what_did_not_clip():
    lamp = np.array([0.42, 0.09, 1.0])
    made = regel_gains(lamp, np.ones(3), "bt709")
    level = np.linspace(0.01, 6, 400, dtype=np.float32)[None, :, None]
    plate = np.minimum(level * lamp.astype(np.float32), 1.0)  # a grey wall; blue clips, then red
    shown = regel_light(plate, made, "bt709", ceiling=1.0)
    spread = np.ptp(shown, axis=-1) / shown.mean(-1)
    assert spread.max() < 0.15
    plain = regel_light(plate, made, "bt709", ceiling=np.inf)
    assert (np.ptp(plain, axis=-1) / plain.mean(-1)).max() > 0.8
    np.testing.assert_array_equal(shown[:, :20], plain[:, :20])


def test_no_light_is_refused():
    with pytest.raises(SettingError, match="holds no light"):
        lamp_from_plate(np.zeros((8, 8, 3), np.float32), noise=NOISE)
    with pytest.raises(SettingError, match="keep"):
        regel_gains(WHITE, WHITE, "bt709", keep="both")
