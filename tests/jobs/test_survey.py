"""A take seen once is kept at survey size, frame for frame."""

import numpy as np
import pytest
from jobs_helpers import NOISE, fit, noisy

from lightstack.jobs.survey import SURVEY_LONG_SIDE, measure_proxy_noise, survey_factor, survey_take


def pictures(count=6, size=(24, 32)):
    return [np.full((*size, 3), 0.1 * (k + 1), np.float32) for k in range(count)]


@pytest.mark.parametrize(("size", "factor"), [((640, 360), 1), ((641, 360), 2), ((1920, 1080), 3), ((360, 3840), 6)])
def test_the_long_side_fits(size, factor):
    assert survey_factor(*size) == factor and max(size) / factor <= SURVEY_LONG_SIDE


def test_every_frame_is_kept_with_number_time_and_flags(tmp_path, silence):
    frames = pictures()
    frames[3][5, 7, 2] = 1.5
    found = survey_take(fit(frames, first=101), tmp_path, progress=silence)
    assert found.source_frames.tolist() == list(range(101, 107)) and found.factor == 1
    np.testing.assert_array_equal(found.rgb, np.array(frames, np.float16))
    np.testing.assert_allclose(found.seconds, np.arange(6) / 24)
    assert found.clipped[3, 5, 7] == 4 and np.count_nonzero(found.clipped) == 1
    assert not found.duplicate.any() and found.full_size == (24, 32)


def test_only_the_asked_range_is_looked_at(tmp_path, silence):
    found = survey_take(fit(pictures()), tmp_path, use=(3, 5), progress=silence)
    assert found.source_frames.tolist() == [3, 4, 5]
    np.testing.assert_array_equal(found.rgb[0], np.float16(pictures()[2]))


def test_repeated_frames_are_marked(tmp_path, silence):
    frames = pictures()
    found = survey_take(fit([frames[0], frames[0], frames[1], frames[0]]), tmp_path, progress=silence)
    assert found.duplicate.tolist() == [False, True, False, False]


def test_a_second_survey_leaves_the_first_ones_pictures_alone(tmp_path, silence):
    first = survey_take(fit(pictures(6)), tmp_path, progress=silence)
    survey_take(fit(pictures(2)), tmp_path, progress=silence)
    np.testing.assert_array_equal(first.rgb, np.array(pictures(6), np.float16))


def test_noise_is_what_was_put_in(tmp_path, silence):
    level = np.broadcast_to(np.linspace(0.05, 0.6, 64, dtype=np.float32)[None, :, None], (48, 64, 3))
    proxies = survey_take(fit(noisy(level, 20)), tmp_path, progress=silence)
    noise = measure_proxy_noise(proxies, np.arange(20), margin=4)
    # REFERENCE  the noise that was put in.  TOLERANCE  10 % from 19 small pairs.
    grey = np.float32([0.3] * 3)
    np.testing.assert_allclose(noise.sigma(grey), NOISE.sigma(grey), rtol=0.1)
