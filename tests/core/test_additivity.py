from dataclasses import replace

import numpy as np
import pytest
from framing_helpers import NOISE, figure
from lamp_sets import film_lamps

from lightstack.core.additivity import check_additivity, measure_additivity
from lightstack.core.response import fit_response


def judge(lamps):
    return check_additivity(measure_additivity(lamps, noise=NOISE))


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_linear_footage_is_good(seed):
    finding = judge(film_lamps(seed, lambda light: light))
    assert finding.grade == "good"
    # TOLERANCE  1 %: a twentieth of what a tenth of a stop is
    assert figure(finding, "worst error of a sum") < 1


def test_a_wrong_curve_is_found_with_the_size_of_its_error():
    # both lamps alike: light 2 l is rendered as (2 l) ** g, twice l ** g was expected: 1 - 2 ** (1 - g) off
    lamps = film_lamps(1, lambda light: np.sign(light) * np.abs(light) ** 0.8, ambient=0.0005)
    measured = measure_additivity(lamps, noise=NOISE)
    assert measured.errors[-1] == pytest.approx(1 - 2**0.2, abs=0.03)
    finding = check_additivity(measured)
    assert finding.grade == "usable"
    assert "not what its encoding says" in finding.remedy


def test_a_knee_shows_at_the_top_only():
    lamps = film_lamps(2, lambda light: np.where(light > 0.3, 0.3 + 0.4 * (light - 0.3), light))
    measured = measure_additivity(lamps, noise=NOISE)
    assert abs(measured.errors[0]) < 0.01
    assert measured.errors[-1] < -0.1
    finding = check_additivity(measured)
    assert finding.grade == "usable"
    assert "one smooth response explains it" in finding.says
    assert check_additivity(replace(measured, left=0.1)).grade == "reshoot"


def test_the_fitted_response_mends_it():
    lamps = film_lamps(3, lambda light: np.sign(light) * np.abs(light) ** 1.2)
    response = fit_response([lamps], noise=NOISE)
    mended = measure_additivity(lamps, noise=NOISE, response=response)
    assert np.abs(mended.errors).max() < 0.015
    assert check_additivity(mended).grade == "good"


def test_tone_mapping_that_varies_over_the_picture_is_to_be_shot_again():
    x = np.linspace(0, 1, 200)[:, None]
    finding = judge(film_lamps(1, lambda light: np.where(x > 0.5, light, np.sign(light) * np.abs(light) ** 0.8)))
    assert finding.grade == "reshoot"
    assert "tone mapping" in finding.says
    assert "HDR" in finding.remedy


def test_without_such_frames_nothing_is_checked():
    assert check_additivity(None).grade == "not checked"
    dark = film_lamps(1, lambda light: light, level=0.0)
    assert judge(dark).grade == "not checked"


def test_clipped_places_do_not_count():
    finding = judge(film_lamps(2, lambda light: np.minimum(light, 1.0), level=0.9))
    assert finding.grade == "good"
