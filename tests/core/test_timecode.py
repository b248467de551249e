"""Timecode against the standard's counts."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.core.timecode import count_timecode, find_timecode_breaks


# REFERENCE  SMPTE ST 12-1: drop-frame counts 17,982 frames in ten minutes, 107,892 in an hour.
# TOLERANCE  exact.
@pytest.mark.parametrize(
    ("timecode", "frame"),
    [("00:00:59;29", 1799), ("00:01:00;02", 1800), ("00:09:59;29", 17981), ("00:10:00;00", 17982),
     ("01:00:00;00", 107892), ("01:00:00:00", 108000), ("00:00:01.05", 35)],
)  # fmt: skip
def test_timecode_counts_as_the_standard_says(timecode, frame):
    assert count_timecode(timecode, Fraction(30000, 1001)) == frame


@pytest.mark.parametrize("timecode", ["00:01:00;00", "00:00:00:30", "00:61:00:00", "1000", ""])
def test_timecodes_that_cannot_be_name_no_frame(timecode):
    assert count_timecode(timecode, Fraction(30000, 1001)) is None


@given(st.integers(0, 2_589_407))
def test_timecode_counting_inverts_the_numbering(frame):
    from lightstack.files.tables import format_timecode

    assert count_timecode(format_timecode(frame, 30, 2), Fraction(30000, 1001)) == frame


def test_breaks_of_the_timecode_are_found_midnight_is_none():
    codes = [f"10:00:{k // 24:02d}:{k % 24:02d}" for k in range(130)]
    del codes[50:53]
    codes[100:] = [f"09:00:{k // 24:02d}:{k % 24:02d}" for k in range(27)]
    codes[20] = None
    breaks = find_timecode_breaks(codes, 24)
    assert breaks[0] == (50, 3)
    assert breaks[1][0] == 100
    assert breaks[1][1] < 0
    midnight = [f"23:59:59:{k:02d}" for k in range(20, 24)] + [f"00:00:00:{k:02d}" for k in range(5)]
    assert find_timecode_breaks(midnight, 24) == ()


def test_numbers_that_do_not_count_frames_break_nowhere():
    assert find_timecode_breaks(["10:00:00:00"] * 50, 24) == ()  # a header copied from still to still
    assert find_timecode_breaks([f"10:00:{k % 60:02d}:00" for k in range(50)], 24) == ()


def test_the_numbers_themselves_tell_their_rate_where_the_header_does_not():
    codes = [f"10:00:{k // 25:02d}:{k % 25:02d}" for k in range(120) if k not in (60, 61)]
    assert find_timecode_breaks(codes, None) == ((60, 2),)
    assert find_timecode_breaks(codes, 24) == ((60, 2),)


def test_fast_footage_may_number_pairs_of_frames():
    # REFERENCE  SMPTE ST 12-1: above 30 frames a second two pictures share a number (from memory).
    codes = [f"10:00:{k // 50:02d}:{k // 2 % 25:02d}" for k in range(200) if k not in range(100, 110)]
    assert find_timecode_breaks(codes[:90], 50) == ()
    ((place, missing),) = find_timecode_breaks(codes, 50)
    assert place == 100
    assert 10 <= missing <= 12  # which of a pair a picture is does not show
