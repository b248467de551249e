"""A take seen once is kept at survey size, frame for frame."""

import numpy as np
import pytest
from clips import flat_planes, write_clip
from jobs_helpers import NOISE, fit, noisy

from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import SURVEY_LONG_SIDE, measure_proxy_noise, survey_factor, survey_take


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


@pytest.mark.parametrize(
    ("depth", "codes", "flagged"),
    [
        (8, (235, 254), (False, True)),
        (8, (235, 255), (False, True)),
        (10, (940, 1019), (False, True)),
        (10, (700, 940), (False, True)),  # a camera that stops at white clips there
        (10, (940, 1023), (False, True)),
    ],
)
def test_legal_movies_are_flagged_at_their_last_code(tmp_path, silence, depth, codes, flagged):
    kind = "yuv444p" if depth == 8 else "yuv444p10le"
    rng = np.random.default_rng(2)
    frames = []
    for _ in range(4):
        luma = rng.integers(16, 80, (96, 160)) << (depth - 8)
        luma[20:50, 20:70], luma[20:50, 90:140] = codes
        planes = [
            luma.astype(np.uint8 if depth == 8 else np.uint16),
            *flat_planes((96, 160), kind, (0, 128 << (depth - 8)) + (128 << (depth - 8),))[1:],
        ]
        frames.append(planes)
    path = write_clip(tmp_path / "c.mkv", frames, codec="ffv1", pixel_format=kind)
    with open_fitted(
        TakeSettings(path=(str(path),)), [path], name="c", size=None, working=None, options=BuildOptions()
    ) as fitted:
        found = survey_take(fitted, tmp_path, progress=silence)
    for left, expected in zip((20, 90), flagged, strict=True):
        assert np.all((found.clipped[:, 20:50, left : left + 50] == 7) == expected)
    assert not found.clipped[:, 60:].any()
