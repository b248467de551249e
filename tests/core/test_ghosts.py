"""Somebody in what should be the empty set: told from whoever stays, and from what stands still, in the take."""

import cv2
import numpy as np

from lightstack.core.matte.ghosts import find_ghosts, measure_unrest, paint_ghosts
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SIZE = (90, 160)
BODY = (slice(30, 80), slice(60, 80))


def wall(seed=3):
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.normal(0, 1, (*SIZE, 1)).astype(np.float32), (0, 0), 2)[..., None]
    return np.float32(0.2) * np.exp(0.8 * texture / texture.std() * 0.3) * np.float32([1, 0.8, 0.6])


def film(pictures, seed=5):
    rng = np.random.default_rng(seed)
    return [(p + NOISE.sigma(p) * rng.standard_normal(p.shape)).astype(np.float32) for p in pictures]


def stand(picture, box=BODY, shade=0.03):
    out = picture.copy()
    out[box] = shade
    return out


def mask(box=BODY):
    out = np.zeros(SIZE, np.float32)
    out[box] = 1
    return out


def test_somebody_in_the_set_is_found_and_painted_over():
    bare, frames = stand(wall()), film([wall()] * 9)
    ghosts = find_ghosts(mask(), bare, frames, noise=NOISE)
    assert ghosts[BODY].mean() > 0.95 and ghosts.sum() < 1.1 * mask().sum()
    again = paint_ghosts(bare, np.median(frames, axis=0).astype(np.float32), ghosts)
    np.testing.assert_allclose(again, wall(), atol=0.02)
    # at full size, as a larger picture of the same
    large = cv2.resize(bare, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    assert np.abs(cv2.resize(paint_ghosts(large, wall(), ghosts), SIZE[::-1]) - wall()).mean() < 0.01


def test_a_thing_that_stands_still_in_the_take_is_no_ghost():
    assert not find_ghosts(mask(), wall(), film([stand(wall())] * 9), noise=NOISE).any()


def test_somebody_who_stays_in_one_place_is_no_ghost_though_his_median_is_soft():
    shifts = [(k * 7 % 5) - 2 for k in range(9)]
    boxes = [(BODY[0], slice(BODY[1].start + s, BODY[1].stop + s)) for s in shifts]
    moving = film([cv2.GaussianBlur(stand(wall(), box, 0.15), (0, 0), 1.5) for box in boxes])
    assert not find_ghosts(mask(), wall(), moving, noise=NOISE).any()


def test_nobody_always_there_no_frames_and_equal_pictures_find_nothing():
    assert not find_ghosts(0.5 * mask(), stand(wall()), film([wall()] * 9), noise=NOISE).any()
    assert not find_ghosts(mask(), stand(wall()), film([wall()] * 2), noise=NOISE).any()
    blank = np.zeros(SIZE, bool)
    picture = wall()
    assert paint_ghosts(picture, picture * 2, blank) is picture


def test_unrest_of_noise_is_one_and_a_flicker_is_none():
    frames = film([wall() * gain for gain in (1.0, 1.1, 0.95, 1.02, 1.0, 0.9)])
    unrest = measure_unrest(frames, wall(), NOISE)
    assert 0.7 < np.median(unrest) < 1.4
