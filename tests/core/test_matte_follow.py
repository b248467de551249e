"""What was figure stays figure where it went."""

import numpy as np
from scipy.ndimage import gaussian_filter

from lightstack.core.matte.follow import follow, measure_speed


def test_a_parting_is_carried_along_the_motion():
    rng = np.random.default_rng(8)
    texture = np.exp(0.5 * gaussian_filter(rng.normal(0, 1, (96, 128)), 2.5) / 0.11)
    before = (0.2 * texture[..., None] * np.ones(3)).astype(np.float32)
    part = np.zeros((96, 128), np.float32)
    part[30:60, 40:80] = 1
    frame = np.roll(before, (2, 5), axis=(0, 1))
    picture, moved = follow(frame, before, part, np.full(3, 1e-3, np.float32))
    truth = np.roll(part, (2, 5), axis=(0, 1))
    assert np.abs(moved - truth)[16:-16, 16:-16].mean() < 0.01 < np.abs(part - truth)[16:-16, 16:-16].mean()
    assert np.abs(picture - frame)[16:-16, 16:-16].mean() < 0.25 * np.abs(before - frame)[16:-16, 16:-16].mean()


def test_tiny_pictures_stand_still():
    blank = np.zeros((8, 8, 3), np.float32)
    part = np.ones((8, 8), np.float32)
    assert (follow(blank, blank, part, np.ones(3, np.float32))[1] == part).all()


def test_speed_is_the_distance_from_frame_to_frame():
    rng = np.random.default_rng(8)
    texture = gaussian_filter(rng.normal(0, 1, (96, 128)), 2.5)
    light = (0.2 * np.exp(0.5 * texture / texture.std())[..., None] * np.ones(3)).astype(np.float32)
    speed = measure_speed(light, np.roll(light, 5, axis=1), np.full(3, 1e-3, np.float32))
    assert abs(np.median(speed) - 5) < 0.5
    assert (measure_speed(light[:20], light[:20], np.ones(3, np.float32)) == 0).all()
