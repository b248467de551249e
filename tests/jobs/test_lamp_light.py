"""Registered lamp light at small size: frame, drift taken out, minus ambient."""

from types import SimpleNamespace

import numpy as np
import pytest
from jobs_helpers import fit, shift_by, stand_still

from lightstack.core.sweep.blockers import CARRIER, GLINT
from lightstack.jobs.takes.lamp_light import (
    LampLight,
    Picked,
    is_blocked,
    keep_small,
    mark_brightest,
    shrink_any,
    shrink_mean,
)
from lightstack.jobs.takes.survey import survey_take
from lightstack.records import Registration, Stretch


def test_shrinking_is_the_mean_and_flags_are_joined():
    rng = np.random.default_rng(2)
    picture = rng.random((9, 13, 3), np.float32)
    np.testing.assert_allclose(shrink_mean(picture, 2), picture[:8, :12].reshape(4, 2, 6, 2, 3).mean((1, 3)), rtol=1e-5)
    bits = rng.integers(0, 8, (9, 13)).astype(np.uint8)
    slow = [[np.bitwise_or.reduce(bits[y : y + 2, x : x + 2], None) for x in range(0, 12, 2)] for y in range(0, 8, 2)]
    np.testing.assert_array_equal(shrink_any(bits, 2), slow)


def test_glints_are_wanted_and_carriers_are_not():
    assert is_blocked(np.uint8([0, CARRIER, GLINT, CARRIER | GLINT])).tolist() == [False, True, False, True]


def test_light_is_frame_over_drift_minus_ambient():
    ambient = np.full((4, 5, 3), 0.2, np.float32)
    rgb = np.stack([ambient * 2, ambient * 2 + 0.4]).astype(np.float16)
    drift = np.array([[2.0] * 3, [2.0] * 3])
    # A frame of one stop more exposure: halved before the ambient comes off.  TOLERANCE  half floats.
    np.testing.assert_allclose(LampLight(rgb, ambient, drift)[0], 0, atol=2e-4)
    np.testing.assert_allclose(LampLight(rgb, ambient, drift)[1], 0.2, atol=5e-4)
    np.testing.assert_allclose(LampLight(rgb, ambient)[0], 0.2, atol=2e-4)
    assert LampLight(rgb, ambient).pick([1, 0]).shape == (2, 4, 5, 3)


@pytest.mark.parametrize("moved", [False, True])
def test_small_frames_stand_where_the_origin_stands(tmp_path, silence, moved):
    x = np.mgrid[:48, :64][1] + 0.5
    def scene(dx):
        return np.repeat((0.3 + 0.1 * np.sin((x - dx) / 6))[..., None], 3, -1).astype(np.float32)
    shift = 3.0 if moved else 0.0
    proxies = survey_take(fit([scene(shift)] * 2), tmp_path, progress=silence)
    pose = Stretch(1, 2, shift_by(shift, 0), not moved, shift, 0.01, 2)
    registration = Registration("take", "translation", (pose,)) if moved else stand_still(1, 2)
    small = keep_small(proxies, registration, tmp_path, progress=silence)
    assert small.factor == 1
    known = np.isfinite(small.rgb[0]).all(-1)
    assert known[:, :-4].all() and known[:, -1].all() != moved
    np.testing.assert_allclose(np.float32(small.rgb[0])[known], scene(0)[known], atol=2e-3)


def test_a_lamp_that_log_footage_does_not_clip_is_marked_all_the_same():
    rgb = np.full((2, 8, 10, 3), 0.3, np.float16)
    rgb[0, 2:4, 3:6] = 3.0  # the lamp, white to the camera
    rgb[1, 5, 5] = (2.0, 0.4, 2.0)  # a wall close to a violet gel
    small = SimpleNamespace(rgb=rgb, clipped=np.zeros((2, 8, 10), np.uint8))
    flags = mark_brightest(small)
    assert (flags[0, 2:4, 3:6] == 7).all() and np.count_nonzero(flags) == 6
    clipping = SimpleNamespace(rgb=rgb, clipped=np.zeros((2, 8, 10), np.uint8))
    clipping.clipped[1, 0, 0] = 7  # footage whose ceiling is known keeps its own flags
    assert mark_brightest(clipping) is clipping.clipped


def test_frames_that_neither_move_nor_shrink_go_on_as_they_are(tmp_path, silence):
    rng = np.random.default_rng(2)
    frames = [rng.random((48, 64, 3)).astype(np.float32) for _ in range(2)]
    proxies = survey_take(fit(frames), tmp_path, progress=silence)
    small = keep_small(proxies, stand_still(1, 2), tmp_path, progress=silence)
    np.testing.assert_array_equal(small.rgb, proxies.rgb)


def test_picked_frames_are_read_one_by_one():
    rgb = np.arange(4 * 2 * 3 * 3, dtype=np.float16).reshape(4, 2, 3, 3)
    picked = Picked(LampLight(rgb, np.zeros((2, 3, 3), np.float32)), np.array([3, 1]))
    assert len(picked) == 2 and picked.shape == (2, 2, 3, 3)
    np.testing.assert_array_equal(picked[0], rgb[3])
