"""Rates, clocks and timecodes of movies and stills, from files written without the package."""

from fractions import Fraction

import numpy as np
import OpenEXR
import pytest
from clips import TAGS_709, moving_pictures, write_clip

from lightstack.files.read.takes import open_take

RATES = [Fraction(24000, 1001), Fraction(24), Fraction(25), Fraction(30000, 1001), Fraction(30), Fraction(50),
         Fraction(60000, 1001)]  # fmt: skip


# REFERENCE  the rate that PyAV was told to write. TOLERANCE  exact.
@pytest.mark.parametrize("suffix", [".mkv", ".mov", ".mp4"])
@pytest.mark.parametrize("rate", RATES)
def test_the_rate_is_read_exactly(tmp_path, rate, suffix):
    path = write_clip(tmp_path / f"clip{suffix}", moving_pictures(60, (16, 16)), rate=rate, tags=TAGS_709)
    with open_take(path) as take:
        assert take.info.rate == rate
        assert not take.info.variable_rate


@pytest.mark.parametrize("suffix", [".mkv", ".mp4"])
def test_a_movie_with_frames_left_out_has_the_rate_it_was_filmed_at(tmp_path, suffix):
    tick, rate = Fraction(1, 24000), Fraction(24000, 1001)
    times = [1001 * k for k in range(60) if k not in (20, 21, 40)]
    path = tmp_path / f"clip{suffix}"
    write_clip(path, moving_pictures(len(times), (16, 16)), times=times, time_base=tick, tags=TAGS_709)
    with open_take(path) as take:
        assert take.info.rate == rate


def write_with_timecode(path, timecode):
    pictures = moving_pictures(24, (16, 16))
    return write_clip(path, pictures, rate=Fraction(24), tags=TAGS_709, metadata={"timecode": timecode})


def test_files_of_one_take_have_one_clock_and_their_own_timecodes(tmp_path):
    parts = [write_with_timecode(tmp_path / f"{k}.mov", f"01:00:0{k}:00") for k in (0, 1, 5)]
    with open_take(parts) as take:
        frames = list(take.frames())
        assert take.info.joins == (25, 49)
    assert [frames[k].timecode for k in (0, 23, 24, 48)] == ["01:00:00:00", "01:00:00:23", "01:00:01:00", "01:00:05:00"]
    np.testing.assert_allclose(np.diff([float(f.seconds) for f in frames]), 1 / 24, atol=1e-9)


def test_stills_carry_the_timecode_of_their_headers(tmp_path):
    for number, frame in zip((1, 2, 3), (4, 5, 9), strict=True):
        header = {"type": OpenEXR.scanlineimage, "framesPerSecond": Fraction(24)}
        header["timeCode"] = OpenEXR.TimeCode(1, 2, 3, frame, *([0] * 14))
        pixels = np.full((8, 8, 3), 0.1 * number, np.float32)
        OpenEXR.File(header, {"RGB": pixels}).write(str(tmp_path / f"a.{number:04d}.exr"))
    with open_take(tmp_path / "a.####.exr") as take:
        assert [f.timecode for f in take.frames()] == ["01:02:03:04", "01:02:03:05", "01:02:03:09"]
