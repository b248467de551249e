import numpy as np
import pytest
from core_helpers import make_encoding
from framing_helpers import NOISE
from lamp_sets import film_lamps, film_stops

from lightstack.core.colour.response import (
    LampSet,
    Response,
    bound_lift,
    find_usable,
    fit_response,
    list_pictures,
    write_codes,
)
from lightstack.records import NoiseModel

LEVELS = np.array([0.05, 0.1, 0.18, 0.3, 0.5])


def gamma(light):
    return np.sign(light) * np.abs(light) ** 1.2 * 1.3


def shoulder(light):
    return np.maximum(light, 0) / (1 + 0.6 * np.maximum(light, 0)) + np.minimum(light, 0)


def gains(response, rendering):
    """True light over recovered lamp light from level to level: one number if only a gain is left open."""
    found = response.apply(rendering(LEVELS))
    return np.diff(found) / np.diff(LEVELS)


@pytest.mark.parametrize("rendering", [gamma, shoulder, lambda light: light])
def test_a_known_response_is_found_up_to_a_gain(rendering):
    response = fit_response([film_lamps(1, rendering)], noise=NOISE)
    ratio = gains(response, rendering)
    # TOLERANCE  3 %: a piecewise fit of 19 pieces to noisy pictures; the gain itself no such pictures can tell
    assert ratio / ratio.mean() == pytest.approx(1, abs=0.03)


def test_grey_stays_and_black_is_black():
    response = fit_response([film_lamps(2, gamma)], noise=NOISE)
    assert response.apply(np.array([0.0, 0.18])) == pytest.approx([0, 0.18], abs=1e-3)


def test_known_stops_tell_the_same():
    pictures, ambient = film_stops(3, gamma, stops=(0.0, -1.0, -2.0))
    response = fit_response(noise=NOISE, known_stops=pictures, ambient=ambient, averaged=4)
    ratio = gains(response, gamma)
    assert ratio / ratio.mean() == pytest.approx(1, abs=0.04)


def test_the_fit_rises_whatever_it_is_given():
    rng = np.random.default_rng(4)
    noise = [np.abs(rng.normal(0.3, 0.2, (40, 60, 3))).astype(np.float32) for _ in range(3)]
    response = fit_response([LampSet(np.zeros((40, 60, 3), np.float32), *noise)], noise=NOISE)
    assert (np.diff(response.light) > 0).all()
    assert (np.diff(response.apply(np.linspace(-0.2, 2, 200))) > 0).all()


def test_float32_stays_and_what_lies_beyond_goes_on_straight():
    response = Response(np.array([0.0, 0.5, 1.0]), np.array([0.0, 0.25, 1.0]))
    assert response.apply(np.zeros(3, np.float32)).dtype == np.float32
    assert response.apply([1.0, 2.0, 3.0])[2] - response.apply([1.0, 2.0, 3.0])[1] == pytest.approx(
        response.apply([1.0, 2.0])[1] - 1
    )


def test_too_little_light_gives_no_response():
    dark = LampSet(*np.zeros((4, 30, 40, 3), np.float32))
    assert fit_response([dark], noise=NOISE) is None
    assert fit_response(noise=NOISE) is None
    assert not find_usable(list_pictures(dark), NOISE, 1).any()


def test_pictures_of_different_size_are_refused():
    one, two = np.zeros((4, 4, 3), np.float32), np.zeros((5, 4, 3), np.float32)
    with pytest.raises(ValueError, match="do not fit"):
        list_pictures(LampSet(one, one, two, one))


def test_black_noise_that_is_cut_lifts_a_mean_by_no_more_than_is_allowed_for():
    rng = np.random.default_rng(7)
    for light in (0.0, 0.5, 1.0, 2.0):
        seen = np.maximum(light + rng.standard_normal(200_000), 0).mean()
        # REFERENCE  numpy's normal variates, cut at 0; noise of 1
        # TOLERANCE  0.01: three standard errors of that mean
        assert seen - light <= bound_lift(np.array(seen), np.array(1.0)) + 0.01
    assert bound_lift(np.array(5.0), np.array(1.0)) == 0


def test_places_are_not_chosen_by_their_own_noise():
    rng = np.random.default_rng(8)
    light, sigma = 0.012, 0.002  # each lamp brings just what the limit asks for
    dark, one, two, both = (
        (0.05 + k * light + sigma * rng.standard_normal((200, 300, 3))).astype(np.float32) for k in (0, 1, 1, 2)
    )
    good = find_usable([dark, one, two, both], NoiseModel(np.zeros(3), np.full(3, sigma**2)), 1)
    by_pixel = (one - dark > 6 * sigma) & (two - dark > 6 * sigma)
    miss = both + dark - one - two
    # REFERENCE  the mean of 25 pixels has a fifth of the noise of one, so choosing by it favours a fifth as much
    # TOLERANCE  a fourth, for a threshold that is met by about a third of the places
    assert 0.05 < good.mean() < 0.95 and abs(miss[good].mean()) < abs(miss[by_pixel].mean()) / 4


def test_a_response_is_handed_on_over_all_codes():
    response = Response(np.array([0.0, 0.2, 0.6, 0.9]), np.array([0.0, 0.18, 0.7, 1.3]), 0.01)
    encoding = make_encoding()
    found = write_codes(response, encoding)
    # REFERENCE  ITU-R BT.709-6 item 1.2: L = ((V + 0.099) / 1.099) ** (1 / 0.45); 10 bits, limited: (code - 64) / 876
    assert found.signals[0] == pytest.approx(-64 / 876) and found.signals[-1] == pytest.approx((1023 - 64) / 876)
    assert found.signals[8] == 0 and found.light[8] == pytest.approx(0, abs=1e-9)
    assert found.light[60] == pytest.approx(response.apply([((found.signals[60] + 0.099) / 1.099) ** (1 / 0.45)])[0])
    assert found.seen == pytest.approx((4.5 * 0.01, 1.099 * 0.9**0.45 - 0.099), abs=1e-4)
    assert (np.diff(found.light) > 0).all()
