"""Missing frames told by motion: in motion drawn by hand, and in made takes."""

import numpy as np
import pytest
from core_helpers import pack_proxies
from made import make_room, proxy_arrays

from lightstack.core.check.skips import find_skips, gather_moving, weigh_motion


def draw_motion(times, *, tremor=None, seed=0, noise=2e-3):
    """Soft light that goes through small pictures, (n, 60, 3), at ``times`` in frames."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:6, 0:10]
    way = np.asarray(times, float) + (0 if tremor is None else tremor)
    cx, cy = 5 + 4 * np.sin(way / 20), 3 + 2 * np.cos(way / 15)
    light = 0.3 + np.exp(-((x - cx[:, None, None]) ** 2 + (y - cy[:, None, None]) ** 2) / 8)
    pictures = light.reshape(len(way), -1, 1) * np.array([1.0, 0.8, 0.6])
    return np.sqrt(pictures) + noise * rng.standard_normal(pictures.shape)


@pytest.mark.parametrize("missing", [1, 2])
def test_frames_left_out_are_found_and_counted(missing):
    places = [30, 55, 104]
    gone = [p + k for p in places for k in range(missing)]
    found = find_skips(draw_motion(np.delete(np.arange(130), gone)))
    assert found == tuple((p - missing * i, missing) for i, p in enumerate(places))


def test_even_motion_rest_noise_a_knock_and_light_switched_on_are_none():
    assert find_skips(draw_motion(np.arange(150))) == ()
    assert find_skips(draw_motion(np.zeros(150))) == ()
    knocked = draw_motion(np.arange(150))
    knocked[70:] += 0.1
    assert find_skips(knocked) == ()
    lit = draw_motion(np.arange(150))
    lit[:40] = draw_motion(np.zeros(40)) * 0.2
    assert find_skips(lit) == ()
    assert find_skips(draw_motion(np.arange(10))) == ()


@pytest.mark.parametrize("left", [0.0, 0.05, 0.2])
def test_light_that_goes_out_and_settles_is_none(left):
    moving = draw_motion(np.arange(100), noise=2e-4)
    last, dark = moving[59], draw_motion(np.zeros(40), noise=2e-4)
    way = (last - dark[0]) * left * 0.7 ** np.arange(40)[:, None, None]  # what a codec mends by and by
    for size in (1.0, 0.3):
        assert find_skips(np.concatenate([moving[:60], last - size * (last - dark - way)])) == ()


def test_light_that_goes_out_while_somebody_walks_is_none():
    fades = 1.5 - 0.01 * np.arange(80)[:, None] * (np.arange(60) < 9)  # nine places of sixty get darker evenly
    fades[40:] -= np.where(np.arange(60) < 9, 0.03, 0.04)  # and there as if three frames were missing
    pictures = fades[..., None] + 2e-4 * np.random.default_rng(6).standard_normal((80, 60, 3))
    assert find_skips(pictures) == ()
    assert find_skips(pictures[:, :9]) == ((40, 3),)  # what those places say alone


def test_a_lamp_that_comes_out_from_behind_its_carrier_is_none():
    rng, times = np.random.default_rng(8), np.arange(100)
    steps = np.where(times < 50, 0.004, 0.011 * 0.97 ** np.maximum(times - 50, 0))
    steps[50] = 0.024  # of what it lights now, as if two frames were missing
    lit = np.cumsum(steps)[:, None] * rng.uniform(0.5, 1, 48)
    turned = 0.004 * np.where(times < 50, 50 - times, times - 49)[:, None] * rng.uniform(0.5, 1, 20)  # shadows
    moving = np.concatenate([lit, turned], axis=1)[..., None] + 0.2 + 2e-4 * rng.standard_normal((100, 68, 3))
    assert find_skips(moving) == ()
    assert find_skips(moving[:, :48]) == ((50, 2),)  # what the lit places say alone


def test_an_arm_that_swings_faster_and_stops_is_none():
    steps = np.concatenate([np.full(60, 0.1), [0.5, 1, 2, 2.15, 0.5], np.zeros(40)])
    assert find_skips(draw_motion(np.cumsum(steps), noise=2e-4)) == ()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_trembling_hand_is_none(seed):
    tremor = np.random.default_rng(seed).normal(0, 0.1, 200)  # of a frame's way, anew in every frame
    assert find_skips(draw_motion(np.arange(200), tremor=tremor, seed=seed)) == ()


def test_repeated_frames_are_passed_over():
    times = np.arange(120)
    times[60] = 59
    repeats = np.arange(120) == 60
    assert find_skips(draw_motion(times), repeats) == ((61, 1),)  # what the copy stands in the place of
    every = np.repeat(np.arange(100), np.where(np.arange(100) % 4 == 3, 2, 1))  # four made five: nothing is lost
    again = np.r_[False, np.diff(every) == 0]
    assert find_skips(draw_motion(every), again) == ()


def test_small_pictures_are_means_of_the_take():
    # REFERENCE  numpy: means of boxes. TOLERANCE  half floats.
    scene = np.random.default_rng(4).uniform(0.1, 0.9, (3, 72, 128, 3))
    boxes = scene.reshape(3, 9, 8, 16, 8, 3).mean(axis=(2, 4)).reshape(3, -1, 3)
    np.testing.assert_allclose(gather_moving(pack_proxies(scene)) ** 2, boxes + 1e-3, rtol=2e-3)


# TOLERANCE  two of three; at places where little moves nothing can be told. Under three seconds of a round of sixteen,
#            with the noise of a full-size picture shrunk this far.
def test_frames_left_out_of_a_made_sweep_are_found_and_no_others():
    room = make_room(61, size=(54, 96), frames=400, lead=12, bump_px=0.0, turn_deg=0.0, noise=(4e-6, 4e-8))
    rgb, clipped, frames = proxy_arrays(room, frames=range(150, 214))
    moving = gather_moving(pack_proxies(rgb, clipped=clipped, frames=frames))
    assert find_skips(moving) == ()
    gone = np.array([20, 33, 46])
    found = {place for place, _ in find_skips(np.delete(moving, gone, axis=0))}
    assert found <= set((gone - np.arange(3)).tolist())
    assert len(found) >= 2
    assert weigh_motion(moving).judged > 0.5
