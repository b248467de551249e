"""A plate whose light is carried on past masks, from a stack on disk."""

from dataclasses import replace

import numpy as np
import pytest

from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.files.shot.schema import Sweep
from lightstack.jobs.stage.deliver import say_carried
from lightstack.jobs.sweep.accumulate import accumulate_plate
from lightstack.jobs.sweep.seams import Carried, carry_over_seams, measure_sigma, weigh_plate
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


def test_weights_follow_the_lamp_s_colour_and_noise_follows_them():
    light = np.zeros((4, 4, 3), np.float32)
    light[..., 0], light[..., 2] = 0.3, 0.1
    weights = weigh_plate(light)
    np.testing.assert_allclose(weights, [0.75, 0, 0.25])
    np.testing.assert_allclose(weigh_plate(0 * light), 1 / 3)
    noise = NoiseModel(np.zeros(3), np.array([1e-4, 1.0, 4e-4]))
    assert measure_sigma(noise, weights) == pytest.approx((0.75**2 * 1e-4 + 0.25**2 * 4e-4) ** 0.5)


def test_noise_of_raised_stills_is_no_seam(tmp_path):
    """Of nothing but noise nothing is carried, however far a still was turned up."""
    random = np.random.default_rng(2)
    stack = create_stack(tmp_path / "s.exr", StackShape(90, 160, 6))
    gains = np.ones((6, 3))
    gains[2] = 8
    for k in range(6):
        valid = np.ones((90, 160), np.float32)
        valid[:, 20 * k : 20 * k + 25] = 0
        light = (random.normal(0, 0.01, (90, 160, 3)) * gains[k]).astype(np.float32)
        stack.write_still(k, light, valid, guide=light[..., :1])
    noise = NoiseModel(np.zeros(3), np.full(3, 1e-4))
    plate = np.abs(random.normal(0, 0.01, (90, 160, 3))).astype(np.float32)
    assert carry_over_seams(plate.copy(), stack, range(6), noise=noise, gains=gains) == Carried()


@pytest.mark.parametrize("offset", range(4))
def test_at_a_hard_cut_the_bright_side_stays_also_within_a_box(offset, tmp_path):
    """A mark drawn by hand ends within a pixel; a place of the small picture is four of them wide."""
    size, edge = (64, 2880), 1440 + offset
    stack = create_stack(tmp_path / "s.exr", StackShape(*size, 2))
    shown = np.ones(size, np.float32)
    shown[:, edge:] = 0
    for k, (level, valid) in enumerate(((0.78, shown), (0.36, np.ones(size, np.float32)))):
        light = np.full((*size, 3), level, np.float32)
        stack.write_still(k, light, valid, guide=light[..., :1])
    plate = np.where(shown[..., None] > 0, np.float32(0.78), np.float32(0.36)) * np.ones(3, np.float32)
    before = plate.copy()
    carry_over_seams(plate, stack, [0, 1], noise=NoiseModel(np.zeros(3), np.full(3, 1e-8)))
    gain = (plate / before)[32, :, 0]
    assert gain[:edge].max() < 1.02 and gain[: edge - 8].max() == 1
    assert gain[edge : edge + 8].min() > 1.5


def test_it_is_told_in_words():
    assert say_carried(Carried()) == "none to be seen"
    assert say_carried(Carried(0.082, 1.25)) == "8.2\u202f% of the picture, by 1.2 stops at most"
