import numpy as np
import pytest
from framing_helpers import NOISE
from made import faults_framing

from lightstack.core.check.moved import find_moved

SIZE = (200, 356)


def look(seed, **changes):
    take = faults_framing.two_takes(seed, size=SIZE, **changes)
    found, same = find_moved(take.rgb[0], take.rgb[1], noise=NOISE, averaged=(8, 8))
    return take, found, same


def covered(found, shape):
    mask = np.zeros(shape, bool)
    for thing in found:
        x0, y0, x1, y1 = (int(v) for v in thing.box)
        mask[y0:y1, x0:x1] = True
    return mask


@pytest.mark.parametrize("seed", [3, 4])
def test_an_untouched_set_shows_nothing(seed):
    _, found, same = look(seed)
    assert found == ()
    assert same > 0.95


@pytest.mark.parametrize("change", [{"bulb": 1.4, "moon": 1.2}, {"gains": (1.3, 1.2, 1.1)}])
def test_light_that_changes_is_nothing_moved(change):
    _, found, _ = look(3, **change)
    assert sum(thing.share for thing in found) < 5e-4


@pytest.mark.parametrize("what", ["chair", "globe"])
def test_a_moved_thing_is_found_where_it_was_and_is(what):
    take, found, _ = look(3, moved=(what,))
    true = take.truth["changed"]
    mask = covered(found, true.shape)
    assert true[mask].sum() > 0.9 * true.sum()
    # boxes are drawn round what changed: no more than its surroundings and its shadow
    assert mask.sum() < 4 * true.sum()


def test_a_thing_taken_away_is_found():
    take, found, _ = look(4, gone=("vase",))
    true = take.truth["changed"]
    assert true[covered(found, true.shape)].sum() > 0.8 * true.sum()


def test_a_thing_is_found_in_other_light():
    take, found, _ = look(3, moved=("chair",), bulb=1.4, moon=1.5)
    true = take.truth["changed"]
    assert true[covered(found, true.shape)].sum() > 0.9 * true.sum()


def test_lamps_switched_off_move_nothing():
    _, found, same = look(4, bulb=0.0)
    assert same < 0.8
    assert sum(thing.share for thing in found) < 2e-3


def test_boxes_grow_with_the_factor_and_the_largest_comes_first():
    take = faults_framing.two_takes(4, size=SIZE, moved=("chair",), gone=("vase",))
    found, _ = find_moved(take.rgb[0], take.rgb[1], noise=NOISE, averaged=(8, 8))
    wide, _ = find_moved(take.rgb[0], take.rgb[1], noise=NOISE, averaged=(8, 8), factor=3)
    assert [thing.share for thing in found] == sorted((thing.share for thing in found), reverse=True)
    assert np.allclose([thing.box for thing in wide], 3 * np.array([thing.box for thing in found]))


def test_what_was_not_seen_is_not_judged():
    take = faults_framing.two_takes(3, size=SIZE, moved=("chair",))
    usable = ~np.ones(SIZE, bool)
    assert find_moved(take.rgb[0], take.rgb[1], noise=NOISE, usable=usable)[0] == ()
