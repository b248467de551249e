from dataclasses import replace

import numpy as np
import pytest
from framing_helpers import NOISE, figure
from lamp_sets import film_lamps

from lightstack.core.check.additivity import check_additivity, measure_additivity
from lightstack.core.colour.response import fit_response
from lightstack.records import NoiseModel


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


def code_and_decode(lamps, seed, *, luma=0.5, chroma=1.0):
    """Every picture in 8-bit codes of ITU-R BT.709, item 1.2, with an error that a codec leaves standing.

    Uniform within +-``luma`` codes in blocks of 8 px, alike in all channels; +-``chroma`` by channel in blocks of 16.
    """
    rng, step = np.random.default_rng(seed), 1 / 219
    out = []
    for light in (lamps.ambient, lamps.one, lamps.two, lamps.both):
        signal = np.where(light < 0.018, 4.5 * light, 1.099 * np.maximum(light, 0.018) ** 0.45 - 0.099)
        h, w = (-(-side // 16) for side in light.shape[:2])
        even = np.kron(rng.uniform(-luma, luma, (2 * h, 2 * w, 1)), np.ones((8, 8, 3)))
        coloured = np.kron(rng.uniform(-chroma, chroma, (h, w, 3)), np.ones((16, 16, 1)))
        signal = signal + step * (even + coloured)[: light.shape[0], : light.shape[1]]
        out.append(np.where(signal < 0.081, signal / 4.5, ((np.maximum(signal, 0.081) + 0.099) / 1.099) ** (1 / 0.45)))
    return replace(lamps, **dict(zip(("ambient", "one", "two", "both"), np.float32(out), strict=True)))


# the square of one code's light: 1 / (4.5 * 219) at black, by the slope of the curve at 18 % grey (BT.709, item 1.2)
BLACK_STEP, GREY_STEP = 1 / (4.5 * 219), 0.18**0.55 / (0.45 * 1.099 * 219)
CODES = NoiseModel(np.full(3, (GREY_STEP**2 - BLACK_STEP**2) / 0.18), np.full(3, BLACK_STEP**2))


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
def test_what_a_codec_leaves_standing_is_no_tone_mapping(seed):
    lamps = code_and_decode(film_lamps(seed, lambda light: light, averaged=30, level=0.06, ambient=0.003), seed)
    finding = check_additivity(measure_additivity(lamps, noise=NOISE, codes=CODES))
    assert finding.grade == "good", finding.says


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tone_mapping_is_found_behind_what_a_codec_leaves(seed):
    x = np.linspace(0, 1, 200)[:, None]
    toned = film_lamps(seed, lambda light: np.where(x > 0.5, light, np.sign(light) * np.abs(light) ** 0.9), averaged=30)
    finding = check_additivity(measure_additivity(code_and_decode(toned, seed), noise=NOISE, codes=CODES))
    assert finding.grade == "reshoot"
    assert "tone mapping" in finding.says


def test_without_such_frames_nothing_is_checked():
    assert check_additivity(None).grade == "not checked"
    dark = film_lamps(1, lambda light: light, level=0.0)
    assert judge(dark).grade == "not checked"


def test_clipped_places_do_not_count():
    finding = judge(film_lamps(2, lambda light: np.minimum(light, 1.0), level=0.9))
    assert finding.grade == "good"
