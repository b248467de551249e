"""Which frames are shown, and how small."""

import numpy as np

from lightstack.jobs.frame.sheets import pick_sheet_frames, show_small
from lightstack.records import MixCurve

SIZE = (40, 60)


def test_small_pictures_keep_shape_and_are_never_enlarged():
    picture = np.random.default_rng(1).random((*SIZE, 3), np.float32)
    assert show_small(picture, "bt709").shape == (*SIZE, 3)
    assert show_small(picture, "bt709", width=30).shape == (20, 30, 3)


def test_sheet_frames_lie_in_the_shot_and_show_the_peak():
    mix = MixCurve(1001, np.r_[np.zeros(10), np.linspace(0.1, 2, 20), np.zeros(5)])
    frames = pick_sheet_frames([mix], 1001, 1035, ())
    assert frames == sorted(set(frames)) and 1030 in frames and 1010 in frames
    assert all(1001 <= frame <= 1035 for frame in frames)
