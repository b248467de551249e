"""Tables of weights and tracks."""

import csv

import numpy as np
import pytest

from lightstack.errors import MissingInput, UnreadableInput
from lightstack.files.travel_tables import read_track, read_weights, write_travel, write_weights


def test_weights_come_back(tmp_path):
    path = tmp_path / "weights.csv"
    write_weights(path, [4, 17, 31], np.array([0.25, 0.0, 1.5]))
    assert read_weights(path) == {4: 0.25, 31: 1.5}


def test_travel_is_a_row_per_frame_and_a_column_per_still(tmp_path):
    # REFERENCE  RFC 4180, as Python's csv module reads it.
    path = tmp_path / "travel.csv"
    write_travel(path, [4, 17], np.array([[1.0, 0.0], [0.5, 0.5]]), first_frame=1001)
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["frame"] for row in rows] == ["1001", "1002"]
    assert [float(row["still_00017"]) for row in rows] == [0.0, 0.5]


def test_tracks_with_and_without_depth(tmp_path):
    path = tmp_path / "track.csv"
    path.write_text("frame,x,y\n1001,10,20.5\n1004.5,12,21\n")
    frames, places, near = read_track(path)
    assert near is None
    np.testing.assert_allclose(frames, [1001, 1004.5])
    np.testing.assert_allclose(places, [[10, 20.5], [12, 21]])
    path.write_text("\ufeffFrame, X, Y, Z\n1,0,0,2\n2,0,0,4\n\n3,0,0,3\n")
    np.testing.assert_allclose(read_track(path)[2], [1, 0, 0.5])  # nearest, farthest, between
    path.write_text("frame,x,y,z\n1,0,0,7\n")
    np.testing.assert_allclose(read_track(path)[2], [0.5])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "begins with nothing; expected frame,x,y"),
        ("time,x,y\n1,2,3\n", "begins with time,x,y; expected"),
        ("frame,x,y\n", "holds no row"),
        ("frame,x,y\n1,2\n", "line 2: '1,2'; expected frame,x,y as numbers"),
        ("frame,x,y\n1,2,nan\n", "line 2"),
        ("frame,x,y\n5,2,3\n5,2,3\n", "line 3: frame 5 follows 5"),
        ("frame,x,y,near\n1,2,3,0.5\n2,2,3,4\n", "line 3: near lies outside"),
    ],
)
def test_tracks_that_are_none(tmp_path, text, said):
    path = tmp_path / "track.csv"
    path.write_text(text)
    with pytest.raises(UnreadableInput, match=said):
        read_track(path)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("still,weight\n4,-1\n", "line 2: weight -1 is negative"),
        ("still,weight\n4.5,1\n", "line 2: still 4.5"),
        ("still,weight\n4,1\n4,2\n", "line 3: still 4 was given before"),
    ],
)
def test_weights_that_are_none(tmp_path, text, said):
    path = tmp_path / "weights.csv"
    path.write_text(text)
    with pytest.raises(UnreadableInput, match=said):
        read_weights(path)
    with pytest.raises(MissingInput):
        read_weights(tmp_path / "none.csv")
    path.write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(UnreadableInput, match="UTF-8"):
        read_weights(path)
