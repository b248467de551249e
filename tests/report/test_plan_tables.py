"""The numbers of the shoot sheet."""

from fractions import Fraction

import pytest

from lightstack.core.check.shutter import clean_shutters
from lightstack.report.plan_tables import (
    choose_shutter,
    make_filter_table,
    make_gel_table,
    make_shutter_table,
    make_speed_table,
    say_rate,
)


def test_rates_in_words():
    assert say_rate(Fraction(25)) == "25"
    assert say_rate(Fraction(24000, 1001)) == "23.976 (24000/1001)"


def test_every_clean_shutter_stands_on_the_sheet():
    used = choose_shutter(Fraction(24), 50, None)
    shown = make_shutter_table(Fraction(24), 50, used)
    # REFERENCE  24 frames/s under 50 Hz mains: 86.4, 172.8, 259.2 and 345.6 degrees.
    assert [row[0] for row in shown.rows] == ["86.4\u00b0", "172.8\u00b0", "259.2\u00b0", "345.6\u00b0"]
    assert shown.rows[shown.chosen][:2] == ("172.8\u00b0", "1/50 s")
    assert len(shown.rows) == len(clean_shutters(24, 50))


def test_a_rate_that_divides_the_mains_has_bands_but_no_flicker():
    shown = make_shutter_table(Fraction(25), 50, choose_shutter(Fraction(25), 50, 200.0))
    assert any("standing bands" in note for note in shown.notes) and "(used)" in shown.rows[shown.chosen][0]


def test_the_asked_distance_is_among_the_speeds_and_marked():
    shown = make_speed_table(Fraction(24), choose_shutter(Fraction(24), 50, None), 0.7)
    assert shown.rows[shown.chosen][0] == "0.7 m" and "as at 1 m" in [row[-1] for row in shown.rows]
    once = make_speed_table(Fraction(24), choose_shutter(Fraction(24), 50, None), 1.0)
    assert len(once.rows) == len(shown.rows) - 1


def test_the_gel_table_names_the_channel():
    row = make_gel_table("blue-ish", (0.0, 0.0, 1.0)).rows[0]
    assert row[:2] == ("blue-ish", "blue") and "3.79" in row[3]


@pytest.mark.parametrize(
    "step, result",
    [("5600 K to 3200 K", "+133.93 mired"), ("full orange (+159 mired) on 5600 K", "2962 K"),
     ("full blue twice on 3200 K", "25974 K"), ("lamp from 1 m to 2 m", "\u22122 stops")],
)  # fmt: skip
def test_filters_and_stops(step, result):
    assert (step, result) in make_filter_table().rows
