"""A take comes out in the shot's size and exposure."""

import numpy as np
import pytest
from jobs_helpers import PictureTake, fit

from lightstack.errors import MismatchedInput, SettingError
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.takes.footage import check_aspect, exposure_gain, resize_picture, resolve_frames, resolve_ranges


def picture(height, width):
    return np.full((height, width, 3), 0.25, np.float32)


def test_a_take_of_one_stop_more_is_halved():
    # REFERENCE  one stop is a factor of two in light (handbook value).
    # TOLERANCE  exact: powers of two in float32.
    settings = TakeSettings(path="a.mov", stops=1.0, white=(1.0, 0.5, 2.0))
    np.testing.assert_array_equal(exposure_gain(settings), np.float32([0.5, 1.0, 0.25]))
    np.testing.assert_array_equal(exposure_gain(TakeSettings(path="a.mov")), np.ones(3, np.float32))


def test_the_gain_is_applied_once_to_frames_and_proxies_alike():
    fitted = fit([picture(8, 12)], gain=(2, 1, 0.5))
    frame = next(fitted.take.frames())
    expected = np.float32([0.5, 0.25, 0.125])
    np.testing.assert_array_equal(fitted.linear(frame), np.broadcast_to(expected, (8, 12, 3)))
    small, _ = fitted.proxy(frame, 2)
    np.testing.assert_array_equal(small, np.broadcast_to(expected, (4, 6, 3)))


@pytest.mark.parametrize("own", [(8, 12), (16, 24), (4, 6)])
def test_a_take_of_another_size_keeps_its_light(own):
    fitted = fit([picture(*own)], size=(8, 12))
    frame = next(fitted.take.frames())
    assert fitted.linear(frame).shape == (8, 12, 3) and fitted.clipped(frame).shape == (8, 12)
    np.testing.assert_allclose(fitted.linear(frame), 0.25, rtol=1e-6)
    small, flags = fitted.proxy(frame, 2)
    assert small.shape == (4, 6, 3) and flags.shape == (4, 6)
    np.testing.assert_allclose(small, 0.25, rtol=1e-6)


def test_shrinking_averages_and_keeps_the_centre():
    ramp = np.repeat(np.linspace(0, 1, 16, dtype=np.float32)[None, :, None], 8, 0) * np.ones(3, np.float32)
    half = resize_picture(ramp, (4, 8))
    np.testing.assert_allclose(half, ramp.reshape(4, 2, 8, 2, 3).mean((1, 3)), atol=1e-6)


def test_another_shape_is_refused_and_the_same_in_another_size_is_not():
    take = PictureTake([picture(8, 12)])
    check_aspect(take, (1080, 1920), (2160, 3840))
    check_aspect(take, (1079, 1920), (2160, 3840))
    with pytest.raises(MismatchedInput, match="1080 x 1080"):
        check_aspect(take, (1080, 1080), (1080, 1920))


def test_frames_of_a_list_of_files_are_counted_through():
    take = PictureTake([picture(8, 12)] * 10, split=4)
    assert resolve_frames([3, "1:3", "2:1"], take, what="keys") == [3, 3, 5]
    assert resolve_ranges([(2, "2:3"), (1, 1)], take, what="exclude") == [(2, 7), (1, 1)]
    with pytest.raises(SettingError, match=r"keys names frame 11.*1 to 10"):
        resolve_frames([11], take, what="keys")
