"""Polygons as soft masks."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path as Outline
from skimage.draw import polygon2mask

from lightstack.core.shapes import (
    corners_at,
    cover_polygon,
    distance_to_outline,
    draw_polygon,
    fall_smoothly,
    feather_mask,
    move_corners,
    touches_picture,
)


def star(rng, *, centre=(20, 15), radius=(4, 13), count=7):
    """A polygon that does not cross itself: corners round a centre, no two of them half a turn apart."""
    angles = (np.arange(count) + rng.uniform(0, 0.8, count)) * 2 * np.pi / count
    reach = rng.uniform(*radius, count)
    return np.column_stack([centre[0] + reach * np.cos(angles), centre[1] + reach * np.sin(angles)])


def area(corners):
    """The shoelace formula."""
    x, y = corners.T
    return 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def slow_cover(corners, size, n=16):
    """Cover by n x n samples a pixel."""
    y, x = np.mgrid[: size[0] * n, : size[1] * n]
    points = np.column_stack([(x.ravel() + 0.5) / n, (y.ravel() + 0.5) / n])
    inside = Outline(np.vstack([corners, corners[:1]])).contains_points(points)
    return inside.reshape(size[0], n, size[1], n).mean((1, 3))


def test_a_box_between_pixels_covers_its_shares():
    box = np.array([[1.25, 1.5], [3.0, 1.5], [3.0, 3.0], [1.25, 3.0]])
    known = np.zeros((5, 5))
    known[1, 1:3], known[2, 1:3] = [0.375, 0.5], [0.75, 1.0]
    np.testing.assert_allclose(cover_polygon(box, (5, 5)), known, atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_cover_equals_its_slow_twin(seed):
    corners = star(np.random.default_rng(seed))
    # TOLERANCE  256 samples a pixel, along an edge: about 1 / 16 of the worst pixel.
    np.testing.assert_allclose(cover_polygon(corners, (30, 40)), slow_cover(corners, (30, 40)), atol=0.05)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_cover_sums_to_the_area_whichever_way_round(seed, backwards):
    corners = star(np.random.default_rng(seed))[:: -1 if backwards else 1]
    # REFERENCE  the shoelace formula (Meister 1769).
    assert cover_polygon(corners, (30, 40)).sum() == pytest.approx(area(corners), rel=1e-4)


def test_what_an_outline_runs_round_the_other_way_counts_too():
    bow = np.array([[4.0, 4], [24, 20], [24, 4], [4, 20]])  # crosses itself: two triangles of opposite sense
    np.testing.assert_allclose(cover_polygon(bow, (26, 30)), slow_cover(bow, (26, 30)), atol=0.06)


def test_whole_pixels_agree_with_skimage():
    corners = star(np.random.default_rng(9), count=9)
    cover = cover_polygon(corners, (30, 40))
    # REFERENCE  scikit-image draw.polygon2mask, which counts (row, column) of pixel centres from 0.
    theirs = polygon2mask((30, 40), corners[:, ::-1] - 0.5)
    assert np.all(theirs[cover > 0.999]) and not np.any(theirs[cover < 0.001])


def test_a_polygon_partly_outside_covers_what_is_inside():
    box = np.array([[-10.0, -10], [5, -10], [5, 4], [-10, 4]])
    cover = cover_polygon(box, (8, 8))
    assert cover[:4, :5].min() == 1 and cover.sum() == 20
    around = np.array([[-50.0, -50], [90, -50], [90, 90], [-50, 90]])
    assert cover_polygon(around, (8, 8)).min() == 1


def test_what_lies_outside_touches_nothing():
    box = np.array([[100.0, 100], [120, 100], [120, 120]])
    assert not touches_picture(box, (50, 50)) and touches_picture(box - 80, (50, 50))
    assert not touches_picture(box - [0, 200], (50, 50)) and not touches_picture(box - [300, 100], (50, 50))


def test_a_line_covers_nothing():
    assert cover_polygon(np.array([[2.0, 2], [9, 7], [2, 2]]), (12, 12)).sum() == 0


def test_the_feather_falls_outside_and_is_half_in_the_middle():
    box = np.array([[20.0, 20], [60, 20], [60, 60], [20, 60]])
    mask = draw_polygon(box, (80, 80), feather_px=9)
    assert mask[20:60, 20:60].min() == 1
    row = mask[40, :20]  # pixel centres at distances 19.5 ... 0.5 from the edge
    assert np.all(np.diff(row) >= 0) and row[10] == 0
    np.testing.assert_allclose(row[11:], fall_smoothly(np.arange(8.5, 0, -1) / 9), atol=1e-6)
    assert fall_smoothly(np.array([0, 0.5, 1, 2])).tolist() == pytest.approx([1, 0.5, 0, 0])


def test_a_feather_reaches_into_the_picture_from_beyond_its_edge():
    box = np.array([[-20.0, 5], [-5, 5], [-5, 20], [-20, 20]])
    mask = draw_polygon(box, (40, 60), feather_px=10)
    assert mask[12, 0] == pytest.approx(fall_smoothly(0.55), abs=1e-6) and mask[12, 5] == 0


@pytest.mark.parametrize("feather", [0, 1.5, 6])
def test_a_moving_border_never_steps(feather):
    corners = star(np.random.default_rng(3), centre=(30, 25), radius=(8, 16))
    masks = [draw_polygon(corners + [0.1 * k, 0.07 * k], (50, 60), feather_px=feather) for k in range(8)]
    # a tenth of a pixel changes a hard border by about a tenth, a soft one by less
    assert max(np.abs(b - a).max() for a, b in zip(masks, masks[1:], strict=False)) < 0.2
    whole = draw_polygon(corners + 5, (50, 60), feather_px=feather)
    np.testing.assert_allclose(
        whole[10:40, 10:50], draw_polygon(corners, (50, 60), feather_px=feather)[5:35, 5:45], atol=1e-6
    )


def test_distance_equals_its_slow_twin():
    rng = np.random.default_rng(5)
    corners, points = star(rng), rng.uniform(0, 40, (50, 2))
    along = np.linspace(0, 1, 4001)[:, None]
    outline = np.vstack([a + along * (b - a) for a, b in zip(corners, np.roll(corners, -1, 0), strict=True)])
    slow = [np.hypot(*(outline - point).T).min() for point in points]
    np.testing.assert_allclose(distance_to_outline(points, corners), slow, atol=0.01)


def test_corners_run_straight_between_drawings_and_stay_outside_of_them():
    first, last = np.array([[0.0, 0], [10, 0], [0, 10]]), np.array([[4.0, 8], [14, 8], [4, 18]])
    frames = [1010, 1020]
    np.testing.assert_allclose(corners_at(frames, [first, last], 1015), (first + last) / 2)
    np.testing.assert_allclose(corners_at(frames, [first, last], 1001), first)
    np.testing.assert_allclose(corners_at(frames, [first, last], 1050), last)
    np.testing.assert_allclose(corners_at([0], [first], 77), first)


def test_corners_move_with_a_pose():
    pose = np.array([[1, 0, 2.5], [0, 1, -1], [0, 0, 1.0]])
    np.testing.assert_allclose(move_corners(np.array([[1.0, 2]]), pose), [[3.5, 1]])
    back = move_corners(move_corners(np.array([[7.0, 3], [1, 9]]), pose), np.linalg.inv(pose))
    np.testing.assert_allclose(back, [[7, 3], [1, 9]])


def test_a_painted_mask_is_widened_outwards_only():
    mask = np.zeros((20, 20), np.float32)
    mask[8:12, 8:12] = 1
    wide = feather_mask(mask, 4)
    assert wide[8:12, 8:12].min() == 1 and 0 < wide[10, 6] < wide[10, 7] < 1 and wide[10, 2] == 0
    np.testing.assert_array_equal(feather_mask(mask, 0), mask)
    np.testing.assert_array_equal(feather_mask(np.zeros((5, 5), np.float32), 3), np.zeros((5, 5)))
