"""Shutter arithmetic against handbook tables and against light added up by hand."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.core.check.shutter import (
    beat_frequency,
    clean_shutters,
    exposure_seconds,
    nearest_clean_shutter,
    residual_flicker,
    shutter_angle,
)

# REFERENCE  angle = 360 n fps / (2 mains), handbook arithmetic; the 172.8 and 144 degree shutters of 24 frames a second
#            are common practice of the trade. Beats: alias of twice the mains frequency (sampling theorem).
# TOLERANCE  0.001 degree, 0.005 Hz (the table is rounded).
TABLE = [
    (Fraction(24), 50, (86.4, 172.8, 259.2, 345.6), 4.000),
    (Fraction(24000, 1001), 50, (86.314, 172.627, 258.941, 345.255), 4.096),
    (Fraction(25), 50, (90.0, 180.0, 270.0, 360.0), 0.0),
    (Fraction(30000, 1001), 50, (107.892, 215.784, 323.676), 10.09),
    (Fraction(30), 50, (108.0, 216.0, 324.0), 10.0),
    (Fraction(24), 60, (72.0, 144.0, 216.0, 288.0, 360.0), 0.0),
    (Fraction(24000, 1001), 60, (71.928, 143.856, 215.784, 287.712, 359.640), 0.120),
    (Fraction(25), 60, (75.0, 150.0, 225.0, 300.0), 5.000),
    (Fraction(30000, 1001), 60, (89.910, 179.820, 269.730, 359.640), 0.120),
    (Fraction(30), 60, (90.0, 180.0, 270.0, 360.0), 0.0),
]


@pytest.mark.parametrize(("rate", "mains", "angles", "beat"), TABLE)
def test_shutters_and_beats_match_the_handbook_table(rate, mains, angles, beat):
    found = clean_shutters(rate, mains)
    np.testing.assert_allclose([s.angle_deg for s in found], angles, atol=1e-3)
    assert beat_frequency(rate, mains) == pytest.approx(beat, abs=5e-3)


@pytest.mark.parametrize(("rate", "mains"), [(row[0], row[1]) for row in TABLE])
def test_a_clean_shutter_sees_whole_pulses(rate, mains):
    for shutter in clean_shutters(rate, mains):
        assert residual_flicker(1.0, 2 * mains, shutter.seconds) == pytest.approx(0.0, abs=1e-12)
        assert shutter_angle(shutter.seconds, rate) == pytest.approx(shutter.angle_deg)
        assert exposure_seconds(shutter.angle_deg, rate) == pytest.approx(shutter.seconds)


def test_residual_matches_known_figures():
    # REFERENCE  |sinc(100 / 48)| = 0.0395, |sinc(120 / 60)| = 0; |sinc(2.5)| = 1 / (2.5 pi) = 0.1273 (120 Hz, 1/48 s)
    assert residual_flicker(1.0, 100, 1 / 48) == pytest.approx(0.0395, abs=1e-4)
    assert residual_flicker(1.0, 120, 1 / 48) == pytest.approx(1 / (2.5 * np.pi), rel=1e-12)
    assert residual_flicker(0.3, 120, 1 / 60) == pytest.approx(0.0, abs=1e-12)


@given(st.floats(1e-4, 0.05), st.sampled_from([100.0, 120.0]), st.floats(0.01, 1.0))
def test_residual_matches_light_added_up_over_the_exposure(exposure, frequency, depth):
    start = np.arange(512)[:, None] / 512 / frequency  # exposures that begin anywhere in a pulse
    times = start + (np.arange(4096) + 0.5) / 4096 * exposure
    light = (1 + depth * np.cos(2 * np.pi * frequency * times)).mean(axis=1)
    assert residual_flicker(depth, frequency, exposure) == pytest.approx(np.ptp(light) / 2, abs=1e-4 * depth)


@given(st.floats(5.0, 120.0), st.sampled_from([50, 60]))
def test_the_beat_is_the_alias_that_the_frames_show(rate, mains):
    frames = np.arange(64)
    seen = np.cos(2 * np.pi * 2 * mains * frames / rate)
    beat = np.cos(2 * np.pi * beat_frequency(rate, mains) * frames / rate)
    np.testing.assert_allclose(seen, beat, atol=1e-6)
    assert beat_frequency(rate, mains) <= rate / 2 + 1e-9


def test_nearest_is_counted_in_stops():
    nearest = nearest_clean_shutter(24, 50)
    assert nearest is not None
    assert nearest.angle_deg == pytest.approx(172.8)
    assert nearest.fraction == "1/50 s"
    assert nearest_clean_shutter(120, 50) is None  # a frame of 1/120 s is shorter than a pulse of 1/100 s
    wide = nearest_clean_shutter(Fraction(24000, 1001), 60, 360.0)
    assert wide is not None
    assert wide.fraction == "1/24 s"


@pytest.mark.parametrize("bad", [0, -1, float("nan"), float("inf")])
def test_nonsense_is_refused(bad):
    for call in (lambda: clean_shutters(bad, 50), lambda: beat_frequency(24, bad), lambda: shutter_angle(bad, 24)):
        with pytest.raises(ValueError, match="not a number above 0"):
            call()
