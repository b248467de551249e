import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.report.phrases import (
    say_count,
    say_frames,
    say_list,
    say_number,
    say_px,
    say_ranges,
    say_share,
    say_sigma,
    say_stops,
)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (say_number(1.5), "1.5"),
        (say_number(-2.0), "\u22122"),
        (say_number(-0.001), "0"),
        (say_number(math.nan), "not measured"),
        (say_share(0.1234), "12.3\u202f%"),
        (say_share(0.0042), "0.42\u202f%"),
        (say_share(0.0), "0\u202f%"),
        (say_share(1.0), "100\u202f%"),
        (say_share(1e-6), "under 0.01\u202f%"),
        (say_share(0.99999), "over 99.9\u202f%"),
        (say_share(math.nan), "not measured"),
        (say_stops(0.3), "+0.3 stops"),
        (say_stops(-1.0), "\u22121 stop"),
        (say_stops(0.0), "0 stops"),
        (say_stops(0.001), "0 stops"),
        (say_stops(-0.5, signed=False), "0.5 stops"),
        (say_stops(-math.inf), "off"),
        (say_px(0.25), "0.25 px"),
        (say_px(math.nan), "not measured"),
        (say_sigma(3.04), "3 sigma"),
        (say_sigma(250.4), "250 sigma"),
        (say_count(0, "frame"), "no frames"),
        (say_count(1, "frame"), "1 frame"),
        (say_count(2, "sweep"), "2 sweeps"),
        (say_list([]), ""),
        (say_list(["a", "b", "c"]), "a, b and c"),
        (say_frames([3, 1, 2, 9, 9]), "1\u20133 and 9"),
        (say_ranges([9, 3, 4, 5]), "3-5, 9"),
        (say_ranges([]), ""),
        (say_ranges(range(0, 40, 2)), "0, 2, 4, 6, 8, 10 and 14 more stretches"),
        (say_ranges(range(0, 6, 2), most=None), "0, 2, 4"),
        (say_frames([1, 3, 5, 7], most=2), "1, 3 and 2 more"),
    ],
)
def test_numbers_are_said_as_people_write_them(said, expected):
    assert said == expected


@given(st.sets(st.integers(1, 60), min_size=1, max_size=40))
def test_runs_of_frames_can_be_read_back(numbers):
    # Slow obvious twin: spell every run out again.
    said = say_frames(numbers, most=100).replace(" and ", ", ")
    back = set()
    for run in said.split(", "):
        first, _, last = run.partition("\u2013")
        back |= set(range(int(first), int(last or first) + 1))
    assert back == numbers


@given(st.floats(0, 1))
def test_a_share_is_never_called_nothing_or_everything_unless_it_is(share):
    said = say_share(share)
    assert (said == "0\u202f%") == (share == 0)
    assert (said == "100\u202f%") == (share == 1)


def test_inverse_square_law_in_stops():
    # REFERENCE  Inverse square law (handbook): from 1 m to 2 m light falls to a quarter, two stops.
    # TOLERANCE  none, the words are compared.
    assert say_stops(float(np.log2((1 / 2) ** 2))) == "\u22122 stops"
