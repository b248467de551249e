import cv2
import numpy as np
import pytest
from framing_helpers import NOISE

from lightstack.core.sweep.light_speed import add_speed, measure_shift, measure_speed
from lightstack.records import FrameTable


def picture(seed=1, size=(90, 160)):
    rng = np.random.default_rng(seed)
    return cv2.GaussianBlur(rng.normal(0, 1, size).astype(np.float32), (0, 0), 4)


@pytest.mark.parametrize("shift", [1, 2, 4, 6])
def test_a_known_shift_by_construction(shift):
    wide = picture(size=(90, 200))
    nothing = np.zeros((90, 160), np.float32)
    one, two = wide[:, 20:180], wide[:, 20 + shift : 180 + shift]
    found = measure_shift((one, nothing), (two, nothing), usable=np.ones(one.shape, bool))
    assert found == pytest.approx(shift, rel=0.15)


def test_noise_is_no_movement():
    rng = np.random.default_rng(3)
    clean = picture()
    noisy = [cv2.GaussianBlur(rng.normal(0, 0.05, clean.shape).astype(np.float32), (0, 0), 1) + clean for _ in range(2)]
    variance = np.full(clean.shape, 0.05**2 / (4 * np.pi), np.float32)
    found = measure_shift((noisy[0], variance), (noisy[1], variance), usable=np.ones(clean.shape, bool))
    assert found < 0.4


def test_nothing_to_see_is_nan():
    flat, nothing = np.zeros((2, 40, 60), np.float32)
    assert np.isnan(measure_shift((flat, nothing), (flat, nothing), usable=np.ones(flat.shape, bool)))
    assert np.isnan(measure_shift((picture(), nothing), (picture(), nothing), usable=np.zeros((90, 160), bool)))


def sweep(speed_px, *, count=16, size=(90, 160), noise=(4e-4, 4e-6)):
    """Lamp light whose shadows move evenly over a textured wall, as filmed."""
    rng = np.random.default_rng(5)
    wall = 0.2 + 0.1 * picture(7, size)[..., None] * np.ones(3, np.float32)
    shadows = cv2.GaussianBlur((picture(9, (90, 400)) > 0).astype(np.float32), (0, 0), 1.0)
    frames = []
    for k in range(count):
        pose = np.array([[1, 0, -speed_px * k], [0, 1, 0]], np.float64)
        light = np.maximum(wall, 0) * (0.1 + 0.9 * cv2.warpAffine(shadows, pose, size[::-1]))[..., None]
        sigma = np.sqrt(noise[0] * (light + 0.01) + noise[1])
        frames.append((light + sigma * rng.standard_normal(light.shape)).astype(np.float32))
    return frames, np.full((*size, 3), 0.01, np.float32)


@pytest.mark.parametrize("speed_px", [0.0, 0.5, 2.0, 8.0])
def test_shadows_that_move_by_a_known_speed(speed_px):
    lights, ambient = sweep(speed_px)
    lit = np.ones(16, bool)
    nobody = np.zeros(ambient.shape[:2], bool)
    found = measure_speed(lambda k: lights[k], lit, lambda k: nobody, ambient, noise=NOISE, factor=2, most=8)
    assert np.isnan(found[15])
    # TOLERANCE  shifts across and down are averaged while these edges go across only: 35 %
    assert np.nanmedian(found) / 2 == pytest.approx(speed_px, rel=0.35, abs=0.15)


def test_unlit_and_covered_frames_are_not_measured():
    lights, ambient = sweep(1.0, count=6)
    lit = np.array([0, 1, 1, 0, 1, 0], bool)
    all_covered = np.ones(ambient.shape[:2], bool)
    arguments = {"noise": NOISE, "factor": 1}
    found = measure_speed(lambda k: lights[k], lit, lambda k: ~all_covered, ambient, **arguments)
    assert np.flatnonzero(np.isfinite(found)).tolist() == [1]
    assert np.isnan(measure_speed(lambda k: lights[k], lit, lambda k: all_covered, ambient, **arguments)).all()


def test_frames_that_did_not_follow_each_other_are_no_pair():
    lights, ambient = sweep(1.0, count=6)
    nobody = np.zeros(ambient.shape[:2], bool)
    follows = np.array([0, 1, 0, 1, 0, 0], bool)
    found = measure_speed(
        lambda k: lights[k], np.ones(6, bool), lambda k: nobody, ambient, noise=NOISE, factor=1, follows=follows
    )
    assert np.flatnonzero(np.isfinite(found)).tolist() == [1, 3]


def measured(on, stretch):
    """A table of which only light and weight matter."""
    names = ("seconds", "lamp_energy", "lamp_sigma", "change_sigma", "clipped", "smear_px", "drift_stops", "sharpness")
    others = {name: np.zeros(len(on)) for name in (*names, "blocked", "flare", "shift_px")}
    return FrameTable(
        source_frames=np.arange(1, len(on) + 1), lamp_on=on, stretch=stretch, weight=on.astype(float), **others
    )


def test_smear_is_half_of_the_speed_and_bends_between_what_was_measured():
    # REFERENCE  at 180 degrees the shutter is open for half of the frame interval (the trade's definition of the angle)
    on = np.array([0, 1, 1, 1, 1, 0, 0, 1, 1], bool)
    stretch = np.array([-1, 0, 0, 0, 0, -1, -1, 1, 1])
    speed = np.full(9, np.nan)
    speed[1], speed[3] = 4.0, 48.0  # between frames 1 and 2, 3 and 4
    table = add_speed(measured(on, stretch), speed)
    np.testing.assert_allclose(table.smear_px, [np.nan, 2, 7.5, 18.5, 24, np.nan, np.nan, np.nan, np.nan])
    # smear of 24 px halves a weight; where none is known nothing is held against the frame
    np.testing.assert_allclose(table.weight[[0, 4, 7, 8]], [0, 0.5, 1, 1])
    assert (np.diff(table.weight[1:5]) < 0).all()
