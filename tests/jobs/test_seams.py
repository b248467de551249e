"""A plate whose light is carried on past masks, from a stack on disk."""

from dataclasses import replace

import numpy as np
import pytest

from lightstack.files.shot.schema import Sweep
from lightstack.jobs.stage.deliver import say_carried
from lightstack.jobs.sweep.accumulate import accumulate_plate
from lightstack.jobs.sweep.seams import Carried, measure_sigma, raise_light, weigh_plate
from lightstack.records import NoiseModel


def plate_of(outcome, *, carry=True, threads=2, **options):
    sweep = Sweep.model_validate({"path": "sweep.mkv", "smooth": False, "carry": carry})
    return accumulate_plate(outcome.stack, outcome.ambient.light, outcome.stills, sweep, threads=threads, **options)


def test_light_is_raised_beside_masks_and_nowhere_lowered(small_outcome):
    plain, carried = plate_of(small_outcome, carry=False), plate_of(small_outcome)
    assert plain.carried == Carried()
    lit = plain.light.max(axis=2) > 0.01
    gain = carried.light[lit] / plain.light[lit]
    assert gain.min() > 0.999 and 1.02 < gain.max() < 3
    share = (gain.max(axis=1) > 2**0.1).sum() / lit.size
    assert 0.002 < carried.carried.share < 0.15 and carried.carried.share == pytest.approx(share, abs=0.01)
    assert carried.carried.most_stops == pytest.approx(np.log2(gain.max()), abs=0.15)


def test_the_same_bytes_at_any_number_of_threads(small_outcome):
    one, four = (plate_of(small_outcome, threads=threads) for threads in (1, 4))
    np.testing.assert_array_equal(one.light, four.light)
    assert one.carried == four.carried


def test_a_single_still_is_left_as_it_is(small_outcome):
    plain, carried = (plate_of(small_outcome, carry=carry, stills=[3]) for carry in (False, True))
    np.testing.assert_array_equal(plain.light, carried.light)


def test_a_still_that_is_turned_off_has_no_say(small_outcome):
    gains = np.array(small_outcome.stills.gains)
    gains[3] = 0
    off = replace(small_outcome, stills=replace(small_outcome.stills, gains=gains))
    rest = [k for k in range(small_outcome.stack.shape.stills) if k != 3]
    np.testing.assert_array_equal(plate_of(off).light, plate_of(small_outcome, stills=rest).light)


def test_a_gain_that_is_known_at_small_size_is_smooth_at_full_size():
    lift = np.zeros((5, 8), np.float32)
    lift[:, 4:] = 1
    light = np.ones((9, 15, 3), np.float32)
    raise_light(light, lift, 2)
    row = np.log(light[4, :, 0])
    assert row[:7].max() == 0 and row[9:].min() == pytest.approx(1) and (np.diff(row) >= 0).all()
    # REFERENCE  bilinear sampling with pixel centres at .5: a quarter and three quarters of the way
    np.testing.assert_allclose(row[7:9], [0.25, 0.75], atol=1e-6)


def test_weights_follow_the_lamp_s_colour_and_noise_follows_them():
    light = np.zeros((4, 4, 3), np.float32)
    light[..., 0], light[..., 2] = 0.3, 0.1
    weights = weigh_plate(light)
    np.testing.assert_allclose(weights, [0.75, 0, 0.25])
    np.testing.assert_allclose(weigh_plate(0 * light), 1 / 3)
    noise = NoiseModel(np.zeros(3), np.array([1e-4, 1.0, 4e-4]))
    assert measure_sigma(noise, weights) == pytest.approx((0.75**2 * 1e-4 + 0.25**2 * 4e-4) ** 0.5)


def test_it_is_told_in_words():
    assert say_carried(Carried()) == "none"
    assert say_carried(Carried(0.082, 1.25)) == "8.2\u202f% of the picture, by 1.2 stops at most"
