"""Marks by hand: polygons over source frames, standing or moving, adding or clearing."""

import numpy as np
import pytest
from jobs_helpers import PictureTake

from lightstack.errors import SettingError
from lightstack.files.shot.schema_takes import Block, Trim
from lightstack.jobs.takes.marks import draw_marks, fill_polygon, name_idle_trims

SIZE = (20, 30)
BOX = ((4, 5), (12, 5), (12, 10), (4, 10))


@pytest.fixture
def take():
    return PictureTake([np.zeros((*SIZE, 3), np.float32)] * 20, split=8)


def box(left, top, right, bottom):
    mask = np.zeros(SIZE, np.int8)
    mask[top:bottom, left:right] = 1
    return mask


def test_a_polygon_holds_the_pixels_whose_centres_it_holds():
    # Slow twin: a pixel centre lies in the convex polygon when it is on the inner side of every edge.
    corners = np.array([(3.2, 2.1), (24.7, 6.3), (20.9, 17.4), (6.5, 14.2)])
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    inner, sure = np.ones(SIZE, bool), np.ones(SIZE, bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, 0), strict=True):
        distance = ((bx - ax) * (y - ay) - (by - ay) * (x - ax)) / np.hypot(bx - ax, by - ay)
        inner &= distance > 0
        sure &= np.abs(distance) > 0.75  # the outline itself is drawn too
    found = fill_polygon(corners, SIZE)
    np.testing.assert_array_equal(found[sure], inner[sure])
    assert found[inner].all()


def test_a_mark_holds_for_its_frames_only(take):
    block = Block(frames=[3, 5], polygon=BOX)
    for frame in (2, 6):
        assert draw_marks([block], {}, take, frame, SIZE) is None
    for frame in (3, 5):
        marks = draw_marks([block], {}, take, frame, SIZE)
        assert (marks[6:9, 5:11] == 1).all() and marks[12:].max() == marks[:, 14:].max() == 0


def test_later_marks_lie_over_earlier_ones(take):
    add = Block(frames=[1, 9], polygon=BOX)
    clear = Block(frames=[1, 9], polygon=[(8, 0), (30, 0), (30, 20), (8, 20)], clear=True)
    both = draw_marks([add, clear], {}, take, 4, SIZE)
    assert both[7, 5] == 1 and both[7, 10] == -1 and both[15, 25] == -1 and both[15, 5] == 0
    assert draw_marks([clear, add], {}, take, 4, SIZE)[7, 10] == 1


def test_a_moving_mark_is_interpolated_and_stays_at_its_ends(take):
    shapes = ({"frame": 4, "polygon": BOX}, {"frame": 8, "polygon": [(x + 12, y + 4) for x, y in BOX]})
    block = Block(frames=[2, 12], shapes=shapes)
    for frame, by in ((6, [6, 2]), (2, [0, 0]), (12, [12, 4])):
        marks = draw_marks([block], {}, take, frame, SIZE)
        np.testing.assert_array_equal(marks > 0, fill_polygon(np.array(BOX) + by, SIZE))


def test_marks_name_frames_of_a_list_of_files(take):
    block = Block(frames=["2:1", "2:3"], polygon=BOX)
    assert [draw_marks([block], {}, take, k, SIZE) is not None for k in (8, 9, 11, 12)] == [False, True, True, False]
    with pytest.raises(SettingError, match="block names frame 99"):
        draw_marks([Block(frames=[1, 99], polygon=BOX)], {}, take, 4, SIZE)


@pytest.mark.parametrize("written", ["9", "2:1"])
def test_a_trims_own_mask_lies_over_all(take, written):
    clear = Block(frames=[1, 12], polygon=[(0, 0), (30, 0), (30, 20), (0, 20)], clear=True)
    trims = {written: Trim(mask=BOX)}
    assert draw_marks([clear], trims, take, 9, SIZE)[7, 8] == 1
    assert draw_marks([clear], trims, take, 10, SIZE)[7, 8] == -1


def test_a_trim_of_a_frame_that_is_no_key_frame_is_told(take):
    trims = {"4": Trim(gain=0.5), "2:1": Trim(gain=2), "7": Trim(gain=0)}
    lines = name_idle_trims(trims, take, [12, 4, 9])
    assert len(lines) == 1 and "frame 7 does nothing" in lines[0] and "4, 9, 12" in lines[0] and "`keys`" in lines[0]
    assert len(name_idle_trims(trims, take, [12])) == 3
    assert name_idle_trims({}, take, [4]) == []
    with pytest.raises(SettingError, match="trim names frame 99"):
        name_idle_trims({"99": Trim(gain=2)}, take, [4])
