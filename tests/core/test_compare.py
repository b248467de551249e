"""How two pictures of one room differ in exposure and white."""

import numpy as np

from lightstack.core.check.compare import compare_exposure
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))


def make_room(seed=3):
    return np.random.default_rng(seed).uniform(0.01, 0.6, (60, 80, 3)).astype(np.float32)


def test_stops_are_powers_of_two():
    room = make_room()
    # REFERENCE  one stop is a factor of two in light (handbook value).
    # TOLERANCE  float32.
    gains = np.float32([2.0, 0.5, 2**0.25])
    np.testing.assert_allclose(compare_exposure(room * gains, room, noise=NOISE), [1, -1, 0.25], atol=1e-5)


def test_a_lamp_over_less_than_half_the_room_does_not_count():
    room = make_room()
    lit = room.copy()
    lit[:25] *= 8
    np.testing.assert_allclose(compare_exposure(lit, room, noise=NOISE), 0, atol=1e-5)


def test_a_channel_lost_in_noise_is_not_judged():
    room = make_room()
    room[..., 1] = 1e-3
    stops = compare_exposure(room, room, noise=NOISE)
    assert np.isnan(stops[1]) and stops[0] == stops[2] == 0


def test_noise_moves_it_little():
    room, rng = make_room(), np.random.default_rng(1)
    noisy = room + rng.normal(0, 1, room.shape).astype(np.float32) * NOISE.sigma(room)
    assert np.abs(compare_exposure(noisy, room, noise=NOISE)).max() < 0.01
