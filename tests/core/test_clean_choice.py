"""Which frames a clean plate is made of, and the places where nothing clean is known."""

import cv2
import numpy as np
import pytest

from lightstack.core.clean.choice import (
    choose_clean_frames,
    close_outlines,
    compare_framing,
    fill_holes,
    list_places,
    pick_moments,
    thin_masks,
)


def test_moments_are_spread_evenly_ends_included():
    assert pick_moments(range(5), most=9) == [0, 1, 2, 3, 4]
    assert pick_moments(range(101), most=5) == [0, 25, 50, 75, 100]
    assert pick_moments(range(9), most=1) == [4]


def test_masks_shrink_to_what_is_wholly_seen():
    seen = np.ones((2, 5, 7), bool)
    seen[1, 4, 6] = False
    thin = thin_masks(seen, factor=4)
    assert thin.shape == (2, 2, 2)
    assert thin[0].all()
    np.testing.assert_array_equal(thin[1], [[True, True], [True, False]])


def test_free_frames_are_chosen_and_covered_ones_left():
    seen = np.ones((60, 6, 8), bool)
    seen[10:50, :, 3:5] = False  # somebody stands there for two thirds of the time
    chosen = choose_clean_frames(seen, most=31)
    assert chosen == sorted(set(chosen))
    assert len(chosen) >= 15
    assert np.mean([not 10 <= k < 50 for k in chosen]) > 0.9


def test_masked_frames_do_no_harm_and_are_all_taken():
    seen = np.ones((60, 6, 8), bool)
    seen[10:50, :, 3:5] = False
    assert len(choose_clean_frames(seen, most=31, harm=0.0)) == 31


def test_every_place_is_seen_in_most_of_the_chosen_frames_when_two_people_take_turns():
    seen = np.ones((80, 4, 8), bool)
    seen[:40, :, :2], seen[40:, :, 6:] = False, False
    share = seen[choose_clean_frames(seen, most=20)].mean(axis=0)
    assert share.min() >= 0.45


def test_an_empty_set_gives_frames_spread_over_the_take():
    chosen = choose_clean_frames(np.ones((100, 3, 3), bool), most=10)
    assert max(np.diff(chosen)) <= 25
    assert chosen[0] < 15
    assert chosen[-1] > 84


def test_the_choice_is_near_what_trying_everything_finds():
    # REFERENCE  brute force over all choices of 3 of 9. TOLERANCE  greedy: the error that is left is at most a tenth
    #            larger on these masks.
    from itertools import combinations

    seen = np.random.default_rng(4).random((9, 5, 5)) > 0.3

    def error(frames):
        count = np.maximum(seen[list(frames)].sum(axis=0), 0.5)
        covered = len(frames) - seen[list(frames)].sum(axis=0)
        return float((1 / count + np.pi / 2 * np.minimum(covered / count, 2) ** 2).sum())

    best = min(error(frames) for frames in combinations(range(9), 3))
    assert error(choose_clean_frames(seen, most=3)) <= 1.1 * best


def test_an_outline_is_filled_and_specks_are_dropped():
    restless = np.zeros((90, 160), np.uint8)
    cv2.circle(restless, (60, 45), 20, 1, 2)
    restless[10, 120] = 1
    filled = close_outlines(restless > 0)
    assert filled[45, 60]
    assert not filled[10, 120]
    assert filled.mean() == pytest.approx(np.pi * 21**2 / (90 * 160), rel=0.12)


def test_one_place_in_other_light_is_the_same_framing_and_another_place_is_not():
    from made.standing import make_standing

    first, second = make_standing(101, feet=()), make_standing(102, feet=())
    y, x = np.mgrid[0:112, 0:200]
    dimmer = first.empty * (0.1 + 0.004 * x + 0.002 * y)[..., None]
    assert compare_framing(first.empty, dimmer) > 0.4
    assert compare_framing(first.empty, second.empty) < 0.6 * compare_framing(first.empty, dimmer)
    noise = np.random.default_rng(1).random(first.empty.shape).astype(np.float32)
    assert abs(compare_framing(first.empty, noise)) < 0.1


def test_places_are_listed_by_size_with_centres_inside():
    mask = np.zeros((100, 200), bool)
    mask[10:20, 10:20] = True
    mask[60:90, 150:190] = True
    mask[50, 50] = True
    places = list_places(mask)
    assert [place.where for place in places] == ["bottom right", "top left"]
    assert [place.number for place in places] == [1, 2]
    assert places[0].area_share == pytest.approx(30 * 40 / 20000)
    assert mask[int(places[0].y), int(places[0].x)]


def test_small_holes_are_painted_and_large_ones_left():
    y, x = np.mgrid[0:80, 0:120]
    light = np.repeat(0.2 + 0.002 * x[..., None] + 0.001 * y[..., None], 3, axis=2).astype(np.float32)
    holes = np.zeros(light.shape[:2], bool)
    holes[40:44, 60:64] = True
    holes[5:35, 5:45] = True
    broken = np.where(holes[..., None], 9, light).astype(np.float32)
    filled, painted = fill_holes(broken, holes)
    assert painted.sum() == 16
    assert painted[40:44, 60:64].all()
    np.testing.assert_allclose(filled[40:44, 60:64], light[40:44, 60:64], rtol=0.03)
    np.testing.assert_array_equal(filled[~painted], broken[~painted])
    assert not fill_holes(light, np.zeros_like(holes))[1].any()
