"""The plate of any stills, accumulated by bands from the working copy, at any number of threads."""

from dataclasses import replace

import numpy as np
import pytest

from lightstack.core.sweep.accumulate import RULES, AccumulateSetting, Offered, accumulate_stills
from lightstack.core.sweep.grain_off import take_off_grain
from lightstack.files.kept.stack import BAND_ROWS, StackShape, create_stack
from lightstack.jobs.sweep.accumulate import Plate, accumulate_stack, carry_over_border
from lightstack.jobs.sweep.seams import carry_over_seams
from lightstack.records import LampStill


@pytest.fixture(scope="module")
def setting(small_outcome):
    return AccumulateSetting(recipe=small_outcome.stills.recipe)


def accumulate(outcome, setting, *, rule="max", **options):
    return accumulate_stack(outcome.stack, outcome.ambient.light, rule=rule, setting=setting, **options)


@pytest.mark.parametrize("rule", ["max", "softmax", "screen", "sum"])
def test_the_plate_is_the_same_at_any_number_of_threads(small_outcome, setting, rule):
    one = accumulate(small_outcome, setting, rule=rule, threads=1)
    many = accumulate(small_outcome, setting, rule=rule, threads=7)
    for name in ("light", "peak", "winner", "valid"):
        np.testing.assert_array_equal(getattr(one, name), getattr(many, name))


def test_all_stills_give_the_plate_that_was_delivered(small_outcome, setting):
    plate, ambient = accumulate(small_outcome, setting), small_outcome.ambient
    smooth = take_off_grain(plate.light, ambient.light, plate.valid > 0, noise=ambient.noise)
    carry_over_seams(smooth, small_outcome.stack, range(small_outcome.stack.shape.stills), noise=ambient.noise)
    light = carry_over_border(replace(plate, light=smooth)).light
    np.testing.assert_array_equal(light, small_outcome.plate.light)


def test_a_border_that_many_stills_do_not_show_is_carried_on():
    light = np.zeros((60, 200, 3), np.float32)
    light[:, :-2], light[:, -2:] = 0.5, 0.1  # the camera was nudged by two pixels
    missing = np.zeros((60, 200), np.float32)
    missing[:, -2:] = 0.6
    missing[30, 100] = 0.9  # covered by the carrier
    blank = np.zeros((60, 200), np.float32)
    plate = Plate(light, blank[..., None], blank[..., None].astype(np.int16), blank + 1, missing)
    assert (carry_over_border(plate).light == 0.5).all()
    assert carry_over_border(replace(plate, missing=blank)).light is light


@pytest.mark.parametrize("rule", ["max", "softmax", "screen", "sum"])
def test_bands_join_to_what_the_whole_picture_gives(small_outcome, setting, rule):
    # The slow twin: whole stills held in memory, added one after another.
    stack, chosen = small_outcome.stack, RULES[rule]
    assert stack.shape.height > BAND_ROWS  # more than one band
    state = chosen.start(small_outcome.ambient.light, setting)
    for index in range(stack.shape.stills):
        parts = [stack.read_band(band, index) for band in range(stack.shape.bands)]
        light, valid, guide = (np.concatenate([part[i] for part in parts]) for i in range(3))
        chosen.add(state, Offered(light, guide, valid, index))
    np.testing.assert_array_equal(accumulate(small_outcome, setting, rule=rule).light, chosen.finish(state))


@pytest.mark.parametrize("rule", ["max", "softmax", "screen", "sum"])
def test_a_subset_is_what_a_stack_of_only_those_stills_gives(small_outcome, setting, tmp_path, rule):
    whole, subset = small_outcome.stack, [2, 3, 11, 17]
    shape = whole.shape
    small = create_stack(tmp_path / "s.bands", StackShape(shape.height, shape.width, len(subset), shape.guides))
    for place, index in enumerate(subset):
        parts = [whole.read_band(band, index) for band in range(shape.bands)]
        light, valid, guide = (np.concatenate([part[i] for part in parts]) for i in range(3))
        small.write_still(place, light, valid, guide=guide)
    again = accumulate(small_outcome, setting, rule=rule, stills=subset[::-1])  # asked in any order
    alone = accumulate_stack(small, small_outcome.ambient.light, rule=rule, setting=setting)
    np.testing.assert_array_equal(again.light, alone.light)
    np.testing.assert_array_equal(again.winner >= 0, alone.winner >= 0)
    won = again.winner >= 0
    np.testing.assert_array_equal(again.winner[won], np.array(subset)[alone.winner[won]])


def test_the_working_copy_costs_only_half_float_rounding(small_outcome, setting):
    stack = small_outcome.stack
    stills = [LampStill(k, *stack.read_still(k)) for k in range(stack.shape.stills)]
    whole = RULES["max"].finish(accumulate_stills(stills, small_outcome.ambient.light, setting))
    # REFERENCE  IEEE 754 binary16 carries 11 bits.  TOLERANCE  guides kept at that precision move near-winners
    # by a sliver of the noise.
    assert np.abs(whole - accumulate(small_outcome, setting).light).mean() < 2e-4


def test_a_still_turned_off_is_as_if_it_were_not_there(small_outcome, setting):
    count = small_outcome.stack.shape.stills
    gains = [np.ones(3, np.float32) for _ in range(count)]
    gains[4] = np.zeros(3, np.float32)
    rest = [k for k in range(count) if k != 4]
    off = accumulate(small_outcome, setting, gains=gains)
    np.testing.assert_array_equal(off.light, accumulate(small_outcome, setting, stills=rest).light)


def test_where_nothing_is_valid_the_plate_is_zero(small_outcome, setting, tmp_path):
    shape = small_outcome.stack.shape
    stack = create_stack(tmp_path / "s.bands", StackShape(shape.height, shape.width, 1, shape.guides))
    light, valid = small_outcome.stack.read_still(0)
    valid = np.ones_like(valid)
    valid[:, :50] = 0
    stack.write_still(0, light + 1, valid, guide=np.full((*valid.shape, shape.guides), 30, np.float32))
    plate = accumulate_stack(stack, small_outcome.ambient.light, rule="max", setting=setting)
    assert not plate.light[:, :50].any() and (plate.winner[:, :50] == -1).all() and not plate.valid[:, :50].any()
    np.testing.assert_allclose(plate.light[:, 50:], light[:, 50:] + 1, rtol=2e-3)
