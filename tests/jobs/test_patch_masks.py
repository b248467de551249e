"""Masks of a patch over frames of a hero that moved."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from lightstack.core.shapes import draw_polygon
from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.patch.masks import MaskMaker

SIZE, FRAMES = (60, 80), (1001, 1010)
BOX = np.array([[20.0, 15], [40, 15], [40, 45], [20, 45]])
MOVED = np.array([[1, 0, 3.0], [0, 1, -2], [0, 0, 1.0]])  # the hero from frame 1006 on


def pose_at(frame):
    return MOVED if frame >= 1006 else np.eye(3)


def make(text, folder=Path("x")):
    settings = parse_shot(f'[takes.hero]\npath = "h.mov"\n[[patch]]\nfrom = "a.exr"\n{text}', folder / "shot.toml")
    return MaskMaker(settings.patch[0], settings, frames=FRAMES, size=SIZE, pose_at=pose_at)


def polygon(corners):
    return [[float(x), float(y)] for x, y in corners]


def test_a_still_polygon_moves_with_the_hero():
    maker = make(f"feather = 0\n[[patch.shape]]\npolygon = {polygon(BOX)}")
    np.testing.assert_allclose(maker.draw(1003), draw_polygon(BOX, SIZE), atol=1e-6)
    np.testing.assert_allclose(maker.draw(1008), draw_polygon(BOX + [3, -2], SIZE), atol=1e-6)


def test_a_drawn_polygon_lies_where_it_was_drawn():
    drawn = f"[{{ frame = 1002, polygon = {polygon(BOX)} }}, {{ frame = 1008, polygon = {polygon(BOX + [9, 4])} }}]"
    maker = make(f"feather = 0\n[[patch.shape]]\ndrawn = {drawn}")
    np.testing.assert_allclose(maker.draw(1002), draw_polygon(BOX, SIZE), atol=1e-6)
    np.testing.assert_allclose(maker.draw(1008), draw_polygon(BOX + [9, 4], SIZE), atol=1e-6)
    # between the two, in the origin's place: 1008's corners are put back by its pose first
    halfway = BOX + np.array([6, 6]) / 2
    np.testing.assert_allclose(maker.draw(1005), draw_polygon(halfway, SIZE), atol=1e-6)
    assert maker.key_of(1002) == maker.key_of(1001) != maker.key_of(1005)


def test_shapes_join_and_invert():
    other = BOX + [25, 0]
    both = f"[[patch.shape]]\npolygon = {polygon(BOX)}\n[[patch.shape]]\npolygon = {polygon(other)}"
    joined = make(f"feather = 0\n{both}").draw(1001)
    np.testing.assert_allclose(joined, np.maximum(draw_polygon(BOX, SIZE), draw_polygon(other, SIZE)))
    np.testing.assert_allclose(make(f"feather = 0\ninvert = true\n{both}").draw(1001), 1 - joined)


def test_the_small_mask_is_the_large_one_shrunk_in_the_origins_place():
    maker = make(f"feather = 0\n[[patch.shape]]\npolygon = {polygon(BOX)}")
    small = cv2.resize(draw_polygon(BOX, SIZE), (20, 15), interpolation=cv2.INTER_AREA)
    for frame in (1001, 1009):
        np.testing.assert_allclose(maker.draw_small(frame, 4), small, atol=1e-5)


def test_one_picture_moves_with_the_hero_and_a_sequence_does_not(tmp_path):
    codes = (draw_polygon(BOX, SIZE) * 255).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "one.png"), codes)
    for frame in range(FRAMES[0], FRAMES[1] + 1):
        cv2.imwrite(str(tmp_path / f"m.{frame}.png"), codes)
    one = make('feather = 0\nmask = "one.png"', tmp_path)
    many = make('feather = 0\nmask = "m.####.png"', tmp_path)
    np.testing.assert_allclose(one.draw(1008), draw_polygon(BOX + [3, -2], SIZE), atol=1e-5)
    np.testing.assert_allclose(many.draw(1008), draw_polygon(BOX, SIZE), atol=1e-5)
    np.testing.assert_allclose(many.draw_small(1008, 1), draw_polygon(BOX - [3, -2], SIZE), atol=1e-5)


def test_strength_and_frames_bound_the_work():
    maker = make(
        f'frames = [1003, 1008]\nstrength = [[1001, 0, "linear"], [1005, 1]]\n[[patch.shape]]\npolygon = {polygon(BOX)}'
    )
    assert maker.frames == [1003, 1004, 1005, 1006, 1007, 1008]
    np.testing.assert_allclose(maker.strength.gains, [0, 0, 0.5, 0.75, 1, 1, 1, 1, 0, 0])
    with pytest.raises(SettingError, match="does nothing"):
        make(f"frames = [1001, 1001]\nstrength = [[1001, 0], [1005, 1]]\n[[patch.shape]]\npolygon = {polygon(BOX)}")


def test_a_polygon_may_leave_the_picture_but_not_stay_outside():
    away = f"[{{ frame = 1001, polygon = {polygon(BOX)} }}, {{ frame = 1010, polygon = {polygon(BOX + 500)} }}]"
    make(f"[[patch.shape]]\ndrawn = {away}").check()
    with pytest.raises(SettingError, match="shape 1 lies wholly outside"):
        make(f"[[patch.shape]]\npolygon = {polygon(BOX + 500)}").check()
