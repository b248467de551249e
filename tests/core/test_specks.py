"""What a mask misses at its rim is left out; light on the set, gaps and reflections stay."""

import numpy as np
import pytest

from lightstack.core.sweep.specks import MOST_AREA, find_specks

SIZE = (180, 320)


def still(level=0.1, hidden=(slice(60, 120), slice(100, 140)), speck=None, bright=1.0):
    """An even still with a mask, and something bright."""
    light, shown = np.full(SIZE, level, np.float32), np.ones(SIZE, bool)
    shown[hidden] = False
    if speck is not None:
        light[speck] = bright
    return light, shown


def find(*stills, sigma=0.003):
    return find_specks(len(stills), lambda k: stills[k], sigma)


REST = [still(0.12, hidden=(slice(0, 40), slice(0, 40))), still(0.08, hidden=(slice(0, 1), slice(0, 1)))]
AT_RIM = (slice(80, 86), slice(140, 142))


def test_a_speck_at_the_mask_s_rim_is_left_out_with_its_own_rim():
    found = find(*REST, still(speck=AT_RIM))
    assert list(found) == [2]
    assert found[2][79:87, 140:143].all() and found[2].sum() == 8 * 3  # the rim, where the still shows it


def test_the_same_away_from_any_mask_is_light_on_the_set():
    assert not find(*REST, still(speck=(slice(80, 86), slice(200, 202))))


def test_light_that_goes_on_beside_the_mask_stays():
    side = int((MOST_AREA * SIZE[0] * SIZE[1]) ** 0.5) + 3
    assert not find(*REST, still(speck=(slice(80, 80 + side), slice(140, 140 + side))))


@pytest.mark.parametrize("bright, found", [(0.3, 0), (0.5, 1)])
def test_a_little_brighter_than_others_is_no_speck(bright, found):
    assert len(find(*REST, still(speck=AT_RIM, bright=bright))) == found


def test_what_another_still_shows_as_bright_is_the_set():
    bright_there = still(0.1, hidden=(slice(0, 1), slice(0, 1)), speck=AT_RIM, bright=0.6)
    assert not find(*REST, bright_there, still(speck=AT_RIM))


def test_what_stands_out_of_noise_alone_is_none():
    dark = [(np.zeros(SIZE, np.float32), np.ones(SIZE, bool)), still(0.0, speck=AT_RIM, bright=0.02)]
    assert not find(*dark, sigma=0.003)
    assert find(*dark, sigma=0.001)


def test_a_speck_in_the_picture_s_corner_is_held_by_border_and_mask():
    corner = still(hidden=(slice(0, 60), slice(300, 317)), speck=(slice(0, 6), slice(317, 320)))
    assert list(find(*REST, corner)) == [2]


def test_a_place_that_only_one_still_shows_is_kept():
    alone = still(hidden=(slice(60, 120), slice(100, 140)), speck=AT_RIM)
    assert not find(*(still(hidden=(slice(50, 130), slice(90, 150))) for _ in range(3)), alone)


def test_a_rim_that_only_one_still_shows_is_kept():
    """No place is left without any light by this."""
    first = still(speck=AT_RIM)
    others = [still(hidden=(slice(70, 90), slice(142, 150))) for _ in range(3)]
    found = find(first, *others)
    assert found[0][:, :142].any() and not found[0][:, 142:].any()


def test_one_still_has_nothing_to_be_held_against():
    assert find(still(speck=AT_RIM)) == {} and find_specks(0, lambda k: still(), 0.1) == {}
