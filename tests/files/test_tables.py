"""Tables read back, and timecodes count as the standard says."""

from fractions import Fraction

import numpy as np
import pytest

from lightstack.errors import SettingError, UnreadableInput
from lightstack.files.tables import read_mix, timecode_at, write_csv, write_mix
from lightstack.records import MixCurve

NTSC = Fraction(30000, 1001)


@pytest.mark.parametrize(
    ("frame", "code"),
    [
        (0, "00:00:00;00"),
        (1799, "00:00:59;29"),
        (1800, "00:01:00;02"),
        (17981, "00:09:59;29"),
        (17982, "00:10:00;00"),
        (107892, "01:00:00;00"),
        (2589408, "00:00:00;00"),
    ],
)
def test_drop_frame_timecode_counts_as_the_standard_says(frame, code):
    # REFERENCE  SMPTE ST 12-1 drop-frame: 17 982 frames in ten minutes, 107 892 in an hour, 2 589 408 in a day.
    # TOLERANCE  exact.
    assert timecode_at("00:00:00;00", frame, NTSC) == code


def test_timecodes_add_up_from_anywhere():
    for start in (0, 1798, 17980, 100_000):
        code = timecode_at("00:00:00;00", start, NTSC)
        for step in (0, 1, 2, 1800, 17982):
            assert timecode_at(code, step, NTSC) == timecode_at("00:00:00;00", start + step, NTSC)


def test_whole_rates_count_without_dropping():
    assert timecode_at("23:59:59:23", 1, Fraction(24000, 1001)) == "00:00:00:00"
    assert timecode_at("10:00:00:00", 25 * 61, Fraction(25)) == "10:01:01:00"
    assert timecode_at(None, 3, Fraction(25)) is None


def test_a_mix_reads_back_exactly(tmp_path):
    gains = np.array([0.0, 1 / 3, 1.0, 2.0**0.1, 0.0])
    write_mix(tmp_path / "mix.csv", MixCurve(1001, gains))
    again = read_mix(tmp_path / "mix.csv")
    assert again.first_frame == 1001
    np.testing.assert_array_equal(again.gains, gains)
    assert (tmp_path / "mix.csv").read_text().splitlines()[1] == "1001,0.0,off"


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("frame,gain\n1,1\n3,1\n", SettingError),
        ("frame,gain\n1,-1\n", SettingError),
        ("frame,gain\n1,nan\n", SettingError),
        ("frame,gain\n", SettingError),
        ("number,level\n1,1\n", UnreadableInput),
        ("frame,gain\nx,1\n", UnreadableInput),
    ],
)
def test_a_broken_mix_is_refused_in_one_line(tmp_path, text, error):
    (tmp_path / "mix.csv").write_text(text)
    with pytest.raises(error) as caught:
        read_mix(tmp_path / "mix.csv")
    assert "\n" not in str(caught.value) and "mix.csv" in str(caught.value)


def test_cells_are_short_and_flags_are_numbers(tmp_path):
    write_csv(tmp_path / "t.csv", ("a", "b", "c", "d"), [(np.float64(1 / 3), np.bool_(True), None, float("nan"))])
    assert (tmp_path / "t.csv").read_bytes() == b"a,b,c,d\r\n0.333333,1,,\r\n"
