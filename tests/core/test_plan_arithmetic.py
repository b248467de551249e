"""The arithmetic of a shoot against handbook values."""

import math

import colour
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from lightstack.core.check.plan_arithmetic import (
    GELS,
    aim_below_clipping,
    filtered_kelvin,
    grey_filter_stops,
    half_light_radius,
    lamp_speed,
    mired,
    mired_shift,
    stops_of_distance,
)


def test_mired_shifts_of_the_two_usual_lights():
    # REFERENCE  the mired scale, 1e6 / T (Judd 1933; every gel book prints +-134 for 3200 K and 5600 K).
    assert mired_shift(5600, 3200) == pytest.approx(133.93, abs=0.005)
    assert mired_shift(3200, 5600) == pytest.approx(-133.93, abs=0.005)
    assert mired(5000) == 200


@pytest.mark.parametrize(
    "kelvin, shifts, expected",
    [(5600, [159], 2962), (3200, [-137], 5698), (3200, [-137, -137], 25974), (7000, [159], 3313)],
)
def test_filters_add_in_mired(kelvin, shifts, expected):
    # REFERENCE  common shifts of full correction gels, +159 and -137; a published worked example rounds the second
    #            and third to 5700 K and 26 000 K.
    # TOLERANCE  half a kelvin.
    assert filtered_kelvin(kelvin, *shifts) == pytest.approx(expected, abs=0.5)


@given(st.floats(1500, 20000), st.floats(1500, 20000))
def test_a_filter_leads_where_its_shift_says(start, end):
    assert filtered_kelvin(start, mired_shift(start, end)) == pytest.approx(end, rel=1e-9)
    assert mired_shift(start, end) == pytest.approx(-mired_shift(end, start))


def test_filters_cannot_lead_beyond_infinity():
    with pytest.raises(ValueError, match="not a number above 0"):
        filtered_kelvin(8000, -137)
    with pytest.raises(ValueError, match="not a number above 0"):
        mired(0)


def test_stops_of_distance_and_of_grey_filters():
    # REFERENCE  inverse square law; optical density D passes 10^-D (ISO 5-1): 0.3 is 0.997 stop.
    assert stops_of_distance(1, 2) == pytest.approx(-2)
    assert stops_of_distance(1, math.sqrt(2)) == pytest.approx(-1)
    assert stops_of_distance(2, 1) == pytest.approx(2)
    assert grey_filter_stops(0.3) == pytest.approx(0.997, abs=5e-4)
    assert 2.0 ** -grey_filter_stops(0.9) == pytest.approx(10**-0.9)


def test_a_pure_channel_leads_the_meter_by_its_luminance():
    # REFERENCE  ITU-R BT.709-6, item 3.2: blue carries 0.0722 of the luminance: log2(1 / 0.0722) = 3.792 stops.
    blue = aim_below_clipping((0, 0, 1))
    assert blue.channel == "B" and blue.lead_stops == pytest.approx(3.792, abs=1e-3)
    assert aim_below_clipping((1, 0, 0)).lead_stops == pytest.approx(2.234, abs=1e-3)
    assert aim_below_clipping((0, 1, 0)).lead_stops == pytest.approx(0.4836, abs=1e-3)


def test_the_aim_is_a_margin_below_clipping():
    aim = aim_below_clipping((2.0, 2.0, 2.0))
    # REFERENCE  BT.709 OETF of 0.5 is 0.705515, by colour-science; white is log2(1 / 0.18) = 2.474 stops over grey.
    assert aim.channel == "all" and aim.level == 0.5
    assert aim.signal == pytest.approx(float(colour.models.oetf_BT709(0.5)), abs=1e-6)
    assert aim.meter_stops == pytest.approx(2.474 - 1, abs=1e-3)
    assert aim_below_clipping((1, 1, 1), margin_stops=7).signal == pytest.approx(
        float(colour.models.oetf_BT709(2**-7)), abs=1e-6
    )


@given(st.tuples(*[st.floats(0.01, 1)] * 3), st.floats(0.1, 100))
def test_only_the_hue_of_a_gel_counts(gel, scale):
    one, two = aim_below_clipping(gel), aim_below_clipping(tuple(scale * v for v in gel))
    assert one.lead_stops == pytest.approx(two.lead_stops, abs=1e-9)
    assert one.lead_stops >= -1e-9


@pytest.mark.parametrize("gel", [(0, 0, 0), (-1, 1, 1), (math.nan, 1, 1)])
def test_a_colour_that_is_none_is_refused(gel):
    with pytest.raises(ValueError, match="three numbers"):
        aim_below_clipping(gel)


def test_every_named_gel_has_its_strongest_channel_at_one():
    assert all(max(rgb) == 1 and min(rgb) >= 0 for rgb in GELS.values())


def test_half_the_light_of_a_lamp_before_a_wall():
    # REFERENCE  E = I cos^3(a) / d^2 on a plane (Lambert 1760; every lighting handbook): half where cos^3 a = 1/2.
    angle = math.acos(0.5 ** (1 / 3))
    assert half_light_radius(2.0) == pytest.approx(2 * math.tan(angle))
    radius = half_light_radius(1.5, 0.9)
    assert (1 + (radius / 1.5) ** 2) ** -1.5 == pytest.approx(0.9)


def test_light_summed_over_the_wall_is_half_of_the_lamp():
    # REFERENCE  half of a bare lamp's light meets an endless wall: integral of (1 + r^2)^(-3/2) 2 pi r = 2 pi.
    total, _ = quad(lambda r: (1 + r * r) ** -1.5 * 2 * math.pi * r, 0, math.inf)
    assert total == pytest.approx(2 * math.pi)


def test_lamp_speed_keeps_all_three_limits():
    near, far = lamp_speed(24, 172.8, 0.3), lamp_speed(24, 172.8, 2.0)
    # 2 % of 0.3 m in 1/50 s
    assert near.metres_per_second == pytest.approx(0.02 * 0.3 * 50) and near.smear_limit == near.metres_per_second
    assert far.metres_per_second == far.walk_limit == 0.5 and far.stops == pytest.approx(-2)
    assert far.spacing_m == pytest.approx(2 * half_light_radius(2.0))
    slow = lamp_speed(24, 345.6, 0.3)
    assert slow.metres_per_second == pytest.approx(near.metres_per_second / 2)
    assert near.seconds_per_metre * near.metres_per_second == pytest.approx(1)


@given(st.floats(1, 120), st.floats(5, 360), st.floats(0.1, 20))
def test_no_speed_is_above_a_limit(rate, angle, distance):
    speed = lamp_speed(rate, angle, distance)
    limits = (speed.smear_limit, speed.dwell_limit, speed.walk_limit)
    assert 0 < speed.metres_per_second == min(limits)


def test_distances_that_are_none_are_refused():
    for call in (lambda: stops_of_distance(0, 1), lambda: half_light_radius(-1), lambda: half_light_radius(1, 1)):
        with pytest.raises(ValueError, match=r"above 0|between 0 and 1"):
            call()
