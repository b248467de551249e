import numpy as np
import pytest
import skimage.data

from lightstack.core.register.align import align_luma, align_texture, guess_noise, texture_of
from lightstack.core.warp import corner_shift_px, warp_picture
from lightstack.records import NoiseModel


def picture():
    return np.float32(skimage.data.camera()[100:292:1, 100:356] / 255.0) ** 2.2 + np.float32(0.01)


def shift_pose(dx, dy):
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]])


def noisy(luma, sigma, seed):
    grain = np.random.default_rng(seed).standard_normal(luma.shape).astype(np.float32)
    return luma + np.float32(sigma) * grain


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.4, -0.3), (-17.0, 6.5), (40.0, 12.0)])
def test_shifts_small_and_large_are_found_from_nothing(shift):
    pose = shift_pose(*shift)
    moved, _ = warp_picture(picture(), np.linalg.inv(pose))
    found = align_luma(picture(), moved, model="translation")
    assert found.converged
    assert corner_shift_px(found.pose @ np.linalg.inv(pose), picture().shape) < 0.03


def test_there_and_back_cancel():
    moved, _ = warp_picture(picture(), np.linalg.inv(shift_pose(0.7, 1.2)))
    there, back = align_luma(picture(), noisy(moved, 0.01, 1)), align_luma(noisy(moved, 0.01, 1), picture())
    assert corner_shift_px(there.pose @ back.pose, picture().shape) < 0.05


def test_a_wrong_start_far_away_is_reported_not_raised():
    texture = texture_of(picture(), noise=None)
    rolled = np.roll(texture, (61, 90), (0, 1))
    found = align_texture(texture, rolled)
    assert not found.converged or corner_shift_px(found.pose, texture.shape) > 20


def test_noise_against_noise_is_not_believed():
    rng = np.random.default_rng(5)
    for _ in range(5):
        one, two = rng.random((2, 120, 200), np.float32)
        assert not align_luma(one, two).converged


def test_guessed_noise():
    # REFERENCE  the sigma that was added; the mask's own gain is exactly 1 on white noise (Immerkaer 1996).
    # TOLERANCE  5 % on a flat picture; on a photograph texture may add, never take away.
    flat = noisy(np.full((200, 300), 0.3, np.float32), 0.02, 0)
    assert guess_noise(flat) == pytest.approx(0.02, rel=0.05)
    assert guess_noise(noisy(picture(), 0.05, 0)) > 0.045
    assert guess_noise(np.zeros((2, 2), np.float32)) > 0


def test_a_mean_and_a_frame_share_the_foot_of_the_logarithm():
    noise = NoiseModel(np.zeros(3), np.full(3, 1e-4))
    dark = picture() * np.float32(0.02)
    one, many = texture_of(dark, noise=noise), texture_of(dark, noise=noise, averaged=10**6)
    alien = texture_of(dark, noise=noise, averaged=10**6, foot=1e-6)  # what the mean's own noise would give
    likeness = [np.corrcoef(one.ravel(), other.ravel())[0, 1] for other in (many, alien)]
    assert likeness[0] > likeness[1] and likeness[0] > 0.8
