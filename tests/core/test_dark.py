"""Frames without lamp light, by construction; on made rooms in test_survey."""

import numpy as np
import pytest

from lightstack.core.sweep.dark import find_dark_frames
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
SHAPE = (216, 384, 3)


def film(rng, light):
    return (light + NOISE.sigma(light) * rng.standard_normal(light.shape)).astype(np.float32)


def room_light(rng):
    return (0.02 + 0.02 * rng.random((9, 16, 3))).repeat(24, 0).repeat(24, 1)


def lamp_light(k, strength=0.05):
    x = np.arange(SHAPE[1])[None, :, None]
    return np.broadcast_to(strength * np.exp(-(((x - 36 * k) / 120.0) ** 2)), SHAPE)


def find(frames, **options):
    return find_dark_frames(lambda k: frames[k], len(frames), noise=NOISE, **options)


@pytest.mark.parametrize("strength", [0.006, 0.05, 1.0])
def test_dark_frames_are_found_down_to_faint_light(strength):
    rng = np.random.default_rng(1)
    room = room_light(rng)
    lit = np.array([False] * 5 + [True] * 10 + [False] * 4)
    frames = [film(rng, room + lamp_light(k - 5, strength) * lit[k]) for k in range(len(lit))]
    np.testing.assert_array_equal(find(frames), ~lit)


def test_a_passer_by_and_a_bump_stay_dark_and_the_order_does_not_matter():
    rng = np.random.default_rng(2)
    room = room_light(rng)
    frames = [film(rng, room) for _ in range(12)]
    frames[5][60:, 90:180] = 0.001
    frames[8:] = [np.roll(f, (1, 2), (0, 1)) for f in frames[8:]]
    frames += [film(rng, room + lamp_light(k)) for k in range(10)]
    truth = np.arange(22) < 12
    np.testing.assert_array_equal(find(frames), truth)
    order = np.r_[8:22, 0:8]
    np.testing.assert_array_equal(find([frames[k] for k in order]), truth[order])


def test_another_take_of_the_unlit_room_settles_it_for_a_single_frame():
    rng = np.random.default_rng(3)
    room = room_light(rng)
    frames = [film(rng, room + lamp_light(k)) for k in range(10)]
    assert not find(frames).any()
    assert not find(frames, ambient=room).any()
    assert find([*frames, film(rng, room)], ambient=room).tolist() == [False] * 10 + [True]


def test_no_frames_give_no_answer():
    assert find([]).shape == (0,)
