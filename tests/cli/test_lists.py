"""Lists typed as one word."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.cli.lists import read_frames, read_numbers, read_ranges
from lightstack.errors import SettingError


def test_frames_ranges_and_numbers():
    assert read_frames(None) == ()
    assert read_frames("34, 80,2:34") == (34, 80, "2:34")
    assert read_ranges("1-20,57, 2:3 - 2:9") == ((1, 20), (57, 57), ("2:3", "2:9"))
    assert read_numbers("1.5,1,0", option="--white") == (1.5, 1.0, 0.0)
    assert read_numbers(None, option="--white") is None


@pytest.mark.parametrize("text", ["", "a", "1,,2", "-3", "1.5", "2:", ":3", "1:2:3"])
def test_what_is_no_frame_is_named(text):
    with pytest.raises(SettingError, match=r"^--keys .*is not a frame"):
        read_frames(text)


@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=20))
def test_frames_survive_typing(frames):
    assert read_frames(",".join(map(str, frames))) == tuple(frames)
