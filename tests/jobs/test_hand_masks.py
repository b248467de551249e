"""Hands helping a matte: order, poses, gaps, growing and softening."""

import cv2
import numpy as np
import pytest
from jobs_helpers import shift_by

from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.holdout.solve import windows
from lightstack.jobs.patch.hand_masks import HandWork, grow_matte, soften_matte

SIZE, FRAMES = (40, 60), (1001, 1010)
HEAD = '[takes.hero]\npath = "hero.mov"\n[holdout]\n'
ZERO = np.zeros(SIZE, np.float32)


def hands(tmp_path, text, pose_at=lambda frame: np.eye(3)):
    settings = parse_shot(HEAD + text, tmp_path / "shot.toml")
    return HandWork(settings.holdout, settings, frames=FRAMES, size=SIZE, pose_at=pose_at)


def paint(path, box, value=255):
    mask = np.zeros(SIZE, np.uint8)
    mask[box] = value
    cv2.imwrite(str(path), mask)
    return mask > 0


def disc_matte(radius=8):
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    return ((x - 30) ** 2 + (y - 20) ** 2 < radius**2).astype(np.float32)


@pytest.mark.parametrize(
    ("use", "wanted"),
    [
        ("replace", lambda a, m: m),
        ("add", lambda a, m: np.maximum(a, m)),
        ("cut", lambda a, m: a * (1 - m)),
    ],
)
def test_a_matte_from_elsewhere_replaces_adds_or_cuts(tmp_path, use, wanted):
    mask = paint(tmp_path / "m.png", np.s_[:, 30:])
    work = hands(tmp_path, f'matte = {{ path = "m.png", use = "{use}" }}')
    np.testing.assert_array_equal(work.apply(disc_matte(), 1003), wanted(disc_matte(), mask))


def test_what_is_drawn_has_the_last_word_and_only_at_its_frames(tmp_path):
    paint(tmp_path / "keep.png", np.s_[10:30, 10:50])
    text = (
        'include = "keep.png"\nexclude = "keep.png"\ngrow = 3\n'
        "[[holdout.shape]]\npolygon = [[20, 15], [30, 15], [30, 25], [20, 25]]\nfeather = 0\nframes = [1004, 1005]\n"
    )
    work = hands(tmp_path, text)
    assert not work.apply(disc_matte(), 1003)[10:30, 10:50].any()
    drawn = work.apply(disc_matte(), 1005)
    assert drawn[15:25, 20:30].min() == 1 and drawn[10:30, 10:50].sum() == 100
    assert work.describe() == "grown by 3 px, included by painted masks, excluded by painted masks, 1 shape"


def test_doubt_goes_where_hands_decided(tmp_path):
    text = "[[holdout.shape]]\npolygon = [[0, 0], [30, 0], [30, 40], [0, 40]]\nfeather = 0\nmode = 'exclude'\n"
    left = hands(tmp_path, text).settle(np.ones((20, 30), np.float32), 1001, 2)
    assert not left[:, :15].any() and (left[:, 15:] == 1).all()


def test_painted_masks_and_shapes_follow_the_bump(tmp_path):
    pose = shift_by(5, -3)
    paint(tmp_path / "one.png", np.s_[10:20, 10:20])
    paint(tmp_path / "m.1002.png", np.s_[10:20, 10:20])
    paint(tmp_path / "m.1008.png", np.s_[10:20, 10:20])
    seen = lambda frame: pose if frame >= 1005 else np.eye(3)  # noqa: E731

    def corner(text, frame):
        rows, columns = np.nonzero(hands(tmp_path, text, seen).apply(ZERO, frame) > 0.5)
        return (columns.min(), rows.min()) if len(rows) else None

    assert corner('include = "one.png"', 1009) == (15, 7)  # one picture lies as the reference frame does
    assert corner('include = "m.####.png"', 1004) == (10, 10)  # painted over 1002, unmoved
    assert corner('include = "m.####.png"', 1006) == (10, 10)  # painted over 1008 as it is seen there
    assert corner('include = "m.####.png"', 1005) == (15, 7)  # the earlier of two as near: over 1002, moved
    assert corner('include = "m.####.png"', 1010) is None  # beyond the last nothing is painted
    shape = "[[holdout.shape]]\npolygon = [[10, 10], [20, 10], [20, 20], [10, 20]]\nfeather = 0\n"
    assert corner(shape, 1007) == (15, 7)


def test_gaps_are_named_and_a_sequence_of_other_numbers_is_refused(tmp_path):
    for number in (1, 2, 5):
        paint(tmp_path / f"m.{number:04d}.png", np.s_[5:9, 5:9])
    work = hands(tmp_path, 'matte = { path = "m.####.png", offset = -1000 }')
    work.check()
    assert work.list_gaps()[0].endswith("shot frames 1003-1004, 1006-1010; the nearest one holds there")
    added = hands(tmp_path, 'matte = { path = "m.####.png", offset = -1000, use = "add" }')
    assert "shot frames 1003-1004; the nearest" in added.list_gaps()[0]
    with pytest.raises(SettingError, match="has pictures 1 to 5, and the shot has frames 1001 to 1010"):
        hands(tmp_path, 'matte = { path = "m.####.png" }').check()


def test_growing_by_whole_and_half_pixels():
    # REFERENCE  a disc grown by r has the area of one of a radius larger by r (Steiner's formula for a disc).
    # TOLERANCE  pixels: half of one round the outline.
    areas = {grow: grow_matte(disc_matte(), grow).sum() for grow in (-3, 0, 2.5, 4)}
    for grow, area in areas.items():
        assert abs(np.sqrt(area / np.pi) - np.sqrt(areas[0] / np.pi) - grow) < 0.5
    assert set(np.unique(grow_matte(disc_matte(), 2.5))) == {0.0, 0.5, 1.0}
    assert grow_matte(ZERO, 0) is ZERO


def test_softening_keeps_the_area_and_goes_on_at_the_edge():
    soft = soften_matte(disc_matte(), 2.0)
    assert soft.sum() == pytest.approx(disc_matte().sum(), rel=1e-3) and 0 < soft[20, 38] < 1
    np.testing.assert_allclose(soften_matte(ZERO + 1, 5.0), 1, rtol=1e-6)


@pytest.mark.parametrize("count", [0, 1, 2, 4, 5, 9])
def test_windows_hold_each_frame_and_its_neighbours(count):
    got = [(near[centre], near) for centre, near in windows(iter(range(count)), 2)]
    assert got == [(k, list(range(max(0, k - 2), min(count, k + 3)))) for k in range(count)]
