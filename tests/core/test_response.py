import numpy as np
import pytest
from framing_helpers import NOISE
from lamp_sets import film_lamps, film_stops

from lightstack.core.response import LampSet, Response, find_usable, fit_response, list_pictures

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
