"""The doubt picture: its marks read over any picture, and say what they mean."""

import numpy as np
import pytest

from lightstack.records import HeldFrame, HoldoutReport
from lightstack.report.holdout import draw_doubt, make_doubt_sheet, view_holdout
from lightstack.report.pictures import PENCIL

SIZE = (90, 160)


def doubt():
    out = np.zeros(SIZE, np.float32)
    out[30:60, 60:100] = 1
    return out


def contrast(one, other):
    """REFERENCE  WCAG 2.2, contrast ratio of relative luminances; graphics need 3 to 1."""
    light = [0.2126, 0.7152, 0.0722] @ (np.array([one, other]).T / 255.0) ** 2.2
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("level", [0, 60, 128, 255])
def test_hatching_reads_over_any_picture(level):
    picture = np.full((*SIZE, 3), level, np.uint8)
    drawn = draw_doubt(picture, doubt(), np.zeros(SIZE))[35:55, 65:95].reshape(-1, 3)
    strokes = (np.abs(drawn.astype(int) - PENCIL) < 3).all(1)
    assert 0.2 < strokes.mean() < 0.7
    assert contrast(PENCIL, drawn[~strokes].mean(0)) > 3


def test_marks_at_any_size_land_in_their_place_and_the_frame_stays():
    picture = np.full((*SIZE, 3), 90, np.uint8)
    drawn = draw_doubt(picture, doubt()[::3, ::3], np.zeros(SIZE))
    marked = (drawn != drawn[0, 0]).any(-1)
    assert marked[36:54, 66:94].mean() > 0.95 and not marked[:24].any() and (picture == 90).all()


def held(number, share):
    blank = np.zeros((*SIZE, 3), np.uint8)
    return HeldFrame(number, share, blank, blank, draw_doubt(blank, doubt() * (share > 0), doubt()))


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_the_sheet_holds_at_most_four_frames_and_a_legend(count):
    sheet = make_doubt_sheet([held(1000 + k, 0.02) for k in range(count)])
    one = make_doubt_sheet([held(1000, 0.02)])
    assert (sheet.shape[1] > 1.5 * one.shape[1]) == (count > 1)
    assert sheet.shape == make_doubt_sheet([held(1000 + k, 0.02) for k in range(min(count, 4))]).shape
    np.testing.assert_array_equal(one, make_doubt_sheet([held(1000, 0.02)]))


def test_a_sheet_without_frames_is_refused_and_one_without_doubt_says_so():
    with pytest.raises(ValueError, match="no frames"):
        make_doubt_sheet([])
    assert not (make_doubt_sheet([held(1001, 0.0)]) == PENCIL).all(-1).any()


def test_the_section_of_the_page():
    view = view_holdout(HoldoutReport((("told from", "empty"),), (held(1003, 0.0), held(1009, 0.021)), (1009,)))
    assert [frame.doubt for frame in view.frames] == ["nothing in doubt", "2.1\u202f% of the picture in doubt"]
    assert all(frame.over_grey.startswith("data:image") for frame in view.frames)
