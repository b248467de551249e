"""The lens's veil round a lamp."""

import numpy as np

from lightstack.core.sweep.veil import find_veil


def lamp_at(x, y, radius, shape=(80, 120)):
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    distance = np.hypot(xx - x, yy - y)
    return (distance <= radius).astype(np.uint8), distance


def dark_spots(rng, shape=(80, 120)):
    return rng.random(shape) < 0.25


def test_a_veil_over_light_and_dark_alike_is_found_as_far_as_it_outshines_the_set():
    rng = np.random.default_rng(1)
    cores, distance = lamp_at(60, 40, 5)
    wall = np.where(dark_spots(rng), 0.0, 0.05)
    peak = (wall + 0.8 * np.exp(-distance / 6)).astype(np.float32)
    veil = find_veil(cores, peak, np.full(peak.shape, 1e-3, np.float32))
    assert veil[40, 60] and veil[40, 70] and not veil[40, 90]
    radius = np.sqrt(veil.sum() / np.pi)
    # where 0.8 exp(-r / 6) = 0.6 (0.05 + 0.8 exp(-r / 6)), the darkest have 60 % of the median: r = 6 ln(10.7)
    assert abs(radius - 6 * np.log(10.67)) < 3


def test_light_on_the_set_is_no_veil():
    rng = np.random.default_rng(2)
    cores, distance = lamp_at(60, 40, 5)
    peak = np.where(dark_spots(rng), 0.02, 1.0) / (1 + (distance / 15) ** 2)
    assert not find_veil(cores, peak.astype(np.float32), np.full(peak.shape, 1e-3, np.float32)).any()


def test_no_lamp_and_specks_have_no_veil_and_noise_is_none():
    floor = np.full((80, 120), 0.05, np.float32)
    even = np.full((80, 120), 0.1, np.float32)
    assert not find_veil(np.zeros((80, 120), np.uint8), even, floor).any()
    assert not find_veil(lamp_at(60, 40, 1)[0], even, floor).any()
    assert not find_veil(lamp_at(60, 40, 5)[0], even, floor).any()  # under three times the floor


def test_veils_add_up_over_lamps_and_do_not_depend_on_exposure():
    rng = np.random.default_rng(3)
    a, near = lamp_at(30, 40, 4)
    b, far = lamp_at(95, 40, 4)
    wall = np.where(dark_spots(rng), 0.0, 0.05)
    peak = (wall + 0.8 * np.exp(-near / 5) + 0.8 * np.exp(-far / 5)).astype(np.float32)
    floor = np.full(peak.shape, 1e-3, np.float32)
    both = find_veil(a | b, peak, floor)
    assert both[40, 38] and both[40, 103] and not both[40, 62]
    np.testing.assert_array_equal(both, find_veil(a | b, peak * 4, floor * 4))
