import cv2
import numpy as np
import pytest
from framing_helpers import NOISE, figure, proxy_of, register
from made import faults_framing

from lightstack.core.check.focus import FocusPath, check_focus, measure_blur, measure_focus, split_texture
from lightstack.core.register.texture import mean_luma


def judge(take):
    proxies = proxy_of(take)
    path = measure_focus(proxies, register(proxies), windows=8)
    return check_focus(path, source_frames=proxies.source_frames), path


SMALL = {"size": (240, 426), "count": 32}


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_lens_that_is_left_alone_is_good(seed):
    finding, path = judge(faults_framing.steady(seed, **SMALL))
    assert finding.grade == "good"
    assert np.ptp(path.growth_px) < 0.3


def test_a_bump_is_no_focus_drift():
    finding, _ = judge(faults_framing.bump(3, at=16, shift=(1.4, 0.6), turn_deg=0.0, **SMALL))
    assert finding.grade == "good"


def test_breathing_is_found_with_its_size():
    finding, path = judge(faults_framing.focus_drift(3, growth=0.004, blur_px=0.0, **SMALL))
    assert finding.grade == "usable"
    # over the middles of the first and last four frames of 32 the growth is 28/31 of the whole
    assert path.growth[-1] == pytest.approx(1 + 0.004 * 28 / 31, abs=2e-4)
    assert "grows" in finding.says


def test_blur_is_found_with_its_size():
    finding, _ = judge(faults_framing.focus_drift(2, growth=0.0, blur_px=1.2, **SMALL))
    assert finding.grade != "good"
    # TOLERANCE  15 %: 1.2 survey pixels of three full-size pixels, less what the last window's middle lacks
    assert figure(finding, "added blur") == pytest.approx(3.5, rel=0.15)
    assert finding.frames[0][0] > 24


@pytest.mark.parametrize("size", [0.4, 0.8, 1.4])
def test_blur_of_a_picture_by_construction(size):
    picture = mean_luma(faults_framing.draw_still(4, size=(240, 426)))
    blurred = cv2.GaussianBlur(picture, (0, 0), size, borderType=cv2.BORDER_REFLECT)
    square, keeps, error = measure_blur(picture, blurred, noise=NOISE)
    assert np.sqrt(square) == pytest.approx(size, rel=0.1)
    assert 0 < keeps < 1
    assert error < square
    # the other way round the picture is sharper
    assert measure_blur(blurred, picture, noise=NOISE)[0] < 0


def test_other_light_is_no_blur():
    picture = mean_luma(faults_framing.draw_still(4, size=(240, 426)))
    across = np.linspace(0.3, 3.0, 426, dtype=np.float32)
    square, keeps, _ = measure_blur(picture + 0.01, (picture + 0.01) * across, noise=NOISE)
    assert abs(square) < 0.05
    assert keeps == pytest.approx(1, abs=0.03)


def test_fine_and_coarse_texture_of_a_flat_picture_are_nothing():
    for part in split_texture(np.full((20, 30), -2.0, np.float32)):
        assert np.abs(part).max() < 1e-5


def test_without_texture_nothing_is_checked():
    assert np.isnan(
        measure_blur(np.full((60, 80), 0.2, np.float32), np.full((60, 80), 0.2, np.float32), noise=NOISE)
    ).all()
    nothing = np.full(3, np.nan)
    finding = check_focus(FocusPath(np.arange(3), nothing, nothing, nothing, nothing, np.nan, np.nan))
    assert finding.grade == "not checked"


def test_what_stays_within_its_error_is_good():
    blur = np.array([0.0, 2.0, 1.0])
    path = FocusPath(np.arange(3), blur, np.ones(3), np.zeros(3), np.ones(3), 0.6, 0.1)
    assert check_focus(path).grade == "good"
    sure = FocusPath(np.arange(3), blur, np.ones(3), np.zeros(3), np.ones(3), 0.1, 0.1)
    assert check_focus(sure).grade == "usable"
