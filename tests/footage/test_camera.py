"""The camera that films the made pictures."""

from __future__ import annotations

import colour
import numpy as np

from footage.camera import NOISE_A, NOISE_B, code_frame, expose, move_picture


def test_codes_follow_the_standard():
    # REFERENCE  Rec. ITU-R BT.709-6 as implemented by colour-science (oetf_BT709, RGB_to_YCbCr, 10-bit legal).
    # TOLERANCE  rounding to whole codes: half a code, and one where both round apart.
    rng = np.random.default_rng(3)
    patches = rng.uniform(0, 1, (40, 3))
    light = np.repeat(np.repeat(patches[:, None, None], 8, axis=1), 8, axis=2)
    wanted = colour.RGB_to_YCbCr(
        colour.models.oetf_BT709(patches),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        out_bits=10,
        out_legal=True,
        out_int=True,
    )
    for patch, expected in zip(light, wanted, strict=True):
        luma, cb, cr = code_frame(patch)
        assert luma.shape == (8, 8) and cb.shape == (8, 4)
        assert np.abs([int(luma[4, 4]), int(cb[4, 2]), int(cr[4, 2])] - expected.astype(int)).max() <= 1


def test_noise_has_the_stated_variance():
    rng = np.random.default_rng(5)
    for level in (0.0, 0.02, 0.4):
        noisy = expose(np.full((200, 200, 3), level), rng)
        wanted = NOISE_A * level + NOISE_B
        assert abs(noisy.var() / wanted - 1) < 0.03  # 120,000 samples: 0.4 % at one sigma
        assert abs(noisy.mean() - level) < 4 * np.sqrt(wanted / noisy.size)


def test_moved_picture_is_the_picture_elsewhere():
    y, x = np.mgrid[0:76, 0:106].astype(float) + 0.5 - 8
    angle, shift = np.radians(0.4), np.array([1.7, -2.3])
    matrix = np.array([[np.cos(angle), -np.sin(angle), shift[0]], [np.sin(angle), np.cos(angle), shift[1]], [0, 0, 1]])

    def scene(x, y):
        return np.stack([0.3 + 0.1 * np.sin(0.31 * x + 0.2 * y), 0.3 + 0.1 * np.cos(0.4 * y), 0.2 + 0.001 * x], axis=-1)

    filmed = move_picture(scene(x, y), matrix, margin=8)
    inner_x, inner_y = x[8:-8, 8:-8], y[8:-8, 8:-8]
    back = np.linalg.inv(matrix)
    unmoved = [back[i, 0] * inner_x + back[i, 1] * inner_y + back[i, 2] for i in (0, 1)]
    np.testing.assert_allclose(filmed, scene(*unmoved), atol=2e-3)  # eight-point Lanczos in steps of 1/32 px


def test_still_tripod_is_not_resampled():
    picture = np.random.default_rng(1).uniform(0, 1, (30, 40, 3)).astype(np.float32)
    np.testing.assert_array_equal(move_picture(picture, np.eye(3), margin=8), picture[8:-8, 8:-8])
