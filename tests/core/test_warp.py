import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.warp import corner_shift_px, is_identity, scale_pose, warp_picture
from lightstack.errors import SettingError


def shift_pose(dx, dy):
    return np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]])


def turn_pose(degrees, size, shift=(0.0, 0.0)):
    height, width = size
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    middle = shift_pose(width / 2, height / 2)
    return shift_pose(*shift) @ middle @ turn @ np.linalg.inv(middle)


def smooth_picture(size=(60, 80), seed=3):
    noise = np.random.default_rng(seed).random(size)
    return np.float32(0.5 + 2 * (ndimage.gaussian_filter(noise, 2.5, mode="wrap") - 0.5))


def test_identity_hands_the_picture_through_bit_for_bit():
    picture = np.random.default_rng(0).standard_normal((9, 7, 3)).astype(np.float32)
    picture[2, 3] = np.nan
    out, valid = warp_picture(picture, np.eye(3))
    assert out.tobytes() == picture.tobytes()
    assert valid.all()


def test_whole_pixel_shift_reads_the_neighbour():
    picture = np.random.default_rng(1).random((20, 30, 3)).astype(np.float32)
    out, valid = warp_picture(picture, shift_pose(3, -2))
    np.testing.assert_array_equal(out[2:, :-3], picture[:-2, 3:])
    assert valid[2:, :-3].all() and not valid[:2].any() and not valid[:, -3:].any()


def test_outside_is_invalid_and_black_not_smeared():
    out, valid = warp_picture(np.ones((10, 12), np.float32), shift_pose(0.5, 0))
    assert not valid[:, -1].any() and valid[:, :-1].all()
    assert (out[:, -1] == 0).all() and (out[:, :-1] == 1).all()


def test_a_flat_picture_stays_flat_under_a_turn():
    out, valid = warp_picture(np.full((40, 50, 2), 0.37, np.float32), turn_pose(0.7, (40, 50), (1.3, 0.2)))
    np.testing.assert_allclose(out[valid], 0.37, rtol=2e-6)


def lanczos_by_hand(picture, x, y):
    """The two-dimensional windowed sinc at index position (x, y), normalised, unlimited."""
    kernel = lambda t: np.where(np.abs(t) < 4, np.sinc(t) * np.sinc(t / 4), 0)  # noqa: E731
    i, j = int(np.floor(x)) + np.arange(-3, 5), int(np.floor(y)) + np.arange(-3, 5)
    across, down = kernel(x - i), kernel(y - j)
    return (down / down.sum()) @ picture[np.ix_(j, i)] @ (across / across.sum())


def test_against_the_plain_sum_over_64_samples():
    picture = smooth_picture()
    pose = turn_pose(0.3, picture.shape, (0.37, -0.81))
    out, _ = warp_picture(picture, pose)
    for row, column in ((20, 30), (31, 55), (44, 12)):
        x, y, _ = pose @ (column + 0.5, row + 0.5, 1)
        # TOLERANCE  1 % of the picture's spread: the ripple of the bare kernel, which ours has removed.
        assert out[row, column] == pytest.approx(lanczos_by_hand(picture, x - 0.5, y - 0.5), abs=1e-3)


def test_against_scipy_splines():
    # REFERENCE  scipy.ndimage.affine_transform, quintic spline, an independent near-ideal interpolator.
    # TOLERANCE  1e-3 of a picture of spread 0.1: both kernels pass a 2.5 px blur within 1 %.
    picture = smooth_picture()
    pose = turn_pose(0.4, picture.shape, (1.25, 0.6))
    out, valid = warp_picture(picture, pose)
    half = shift_pose(0.5, 0.5)
    index = (np.linalg.inv(half) @ pose @ half)[[1, 0]][:, [1, 0, 2]]
    want = ndimage.affine_transform(picture.astype(float), index[:, :2], index[:, 2], order=5, mode="reflect")
    inner = ndimage.binary_erosion(valid, iterations=6)
    np.testing.assert_allclose(out[inner], want[inner], atol=1e-3)


def test_homography_direction_and_depth():
    y, x = np.mgrid[0:50, 0:70] + 0.5
    pose = np.array([[1.01, 0.002, 0.4], [-0.001, 0.99, 0.8], [1e-5, -2e-5, 1.0]])
    out, valid = warp_picture((x + 100 * y).astype(np.float32), pose, interpolation="linear")
    depth = pose[2, 0] * x + pose[2, 1] * y + 1
    across = (pose[0, 0] * x + pose[0, 1] * y + 0.4) / depth
    down = (pose[1, 0] * x + pose[1, 1] * y + 0.8) / depth
    inner = ndimage.binary_erosion(valid, iterations=5)
    np.testing.assert_allclose(out[inner], (across + 100 * down)[inner], atol=2e-2)  # 1/8192 px x 100


@pytest.mark.parametrize("level", [1.0, 60.0])
def test_a_bright_lamp_does_not_ring(level):
    picture = np.full((40, 40, 1), 0.01, np.float32)
    picture[15:25, 15:25] = level
    out, valid = warp_picture(picture, turn_pose(0.5, (40, 40), (0.5, 0.5)))
    assert out[valid].min() >= 0.005 and out[valid].max() <= 1.6 * level
    far = ndimage.binary_dilation(picture[..., 0] > 1e-1, iterations=4)
    np.testing.assert_allclose(out[valid & ~far], 0.01, rtol=1e-5)


def test_there_and_back_keeps_an_edge_sharp():
    # A 5-degree edge through half-pixel shifts: what a stack of registered stills goes through once.
    y, x = np.mgrid[0:64, 0:64]
    edge = np.float32(1 / (1 + np.exp(-(x - 32 - (y - 32) * np.tan(np.radians(5))) * 2)))
    out, valid = warp_picture(edge, shift_pose(0.5, 0.0))
    want = 1 / (1 + np.exp(-(x + 0.5 - 32 - (y - 32) * np.tan(np.radians(5))) * 2))
    assert np.abs(out - want)[valid][:].max() < 0.02


def test_factor_takes_full_size_pixels():
    picture = np.random.default_rng(4).random((20, 24)).astype(np.float32)
    out, _ = warp_picture(picture, shift_pose(3, 0), factor=3)
    np.testing.assert_array_equal(out[:, :-1], picture[:, 1:])


def test_scaling_a_pose_there_and_back():
    pose = turn_pose(0.4, (90, 160), (1.2, -0.3))
    np.testing.assert_allclose(scale_pose(scale_pose(pose, 3), 1 / 3), pose, atol=1e-12)
    small = corner_shift_px(scale_pose(pose, 3), (30, 160 / 3))
    assert small == pytest.approx(corner_shift_px(pose, (90, 160)) / 3)


def test_corner_shift_of_a_turn():
    arc = np.hypot(90, 160) / 2 * np.radians(0.1)
    assert corner_shift_px(turn_pose(0.1, (90, 160)), (90, 160)) == pytest.approx(arc, rel=1e-6)


def test_linear_is_exact_on_a_ramp_and_close_calls_are_refused():
    ramp = np.arange(30, dtype=np.float32) * np.ones((8, 1), np.float32)
    out, valid = warp_picture(ramp, shift_pose(0.25, 0), interpolation="linear")
    np.testing.assert_allclose(out[valid], (ramp + 0.25)[valid], atol=1e-4)
    with pytest.raises(SettingError, match="lanczos4"):
        warp_picture(ramp, shift_pose(0.25, 0), interpolation="cubicc")
    with pytest.raises(SettingError, match="folds"):
        warp_picture(ramp, turn_pose(90, ramp.shape))


def test_nearly_identity_is_not_identity():
    assert is_identity(np.eye(3))
    assert not is_identity(shift_pose(1e-12, 0))


@pytest.mark.parametrize("size", [(1, 1), (1, 9), (5, 2)])
def test_tiny_pictures(size):
    out, valid = warp_picture(np.ones((*size, 3), np.float32), shift_pose(0.2, 0.0))
    assert out.shape == (*size, 3) and valid.shape == size
