"""Doubt, and the frames that wait for hands."""

import numpy as np

from lightstack.core.matte.doubt import (
    find_doubt,
    find_second_pieces,
    find_unexplained,
    find_weak,
    list_hand_work,
    pick_hanging,
    rate_hand_work,
)

SIZE = (60, 80)


def test_what_only_a_lean_decides_is_doubtful():
    towards_set, towards_figure = np.zeros((2, *SIZE), np.float32)
    towards_set[10:50, 20:40] = 1
    towards_figure[10:50, 20:60] = 1
    figure, score = towards_set > 0, np.where(towards_set > 0, 4, -4).astype(np.float32)
    doubt = find_doubt((towards_set, towards_figure), figure, score)
    assert doubt[14:46, 44:56].min() == 1
    assert doubt[14:46, 24:36].max() == 0
    assert doubt[:, :15].max() == 0


def test_an_inside_that_was_filled_is_doubtful():
    part = np.zeros(SIZE, np.float32)
    part[10:50, 20:60] = 1
    score = np.where(part > 0, 4, -4).astype(np.float32)
    score[20:40, 30:50] = -2
    doubt = find_doubt((part, part), part > 0, score)
    assert doubt[22:38, 32:48].min() == 1
    assert doubt[:16].max() == 0


def test_a_clear_frame_waits_for_nobody():
    alpha = np.zeros(SIZE)
    alpha[10:50, 20:40] = 1
    assert rate_hand_work(np.zeros(SIZE), alpha) == 0
    assert rate_hand_work(alpha, alpha) == 1
    assert rate_hand_work(alpha, np.zeros(SIZE)) > 1


def test_the_worst_frames_come_first_and_apart():
    ratings = np.zeros(40)
    ratings[[5, 6, 20, 33]] = 0.5, 0.9, 0.3, 0.001
    assert list_hand_work(ratings, first_frame=1001) == [1007, 1021]
    assert list_hand_work([0.0, 0.0], first_frame=1) == []


def test_a_part_that_says_far_less_than_the_rest_is_weak():
    figure = np.zeros(SIZE, bool)
    figure[10:50, 10:30], figure[10:50, 50:65] = True, True
    score = np.where(np.arange(SIZE[1]) < 40, 5, 0.8) * np.ones(SIZE, np.float32)
    weak = find_weak(figure, score)
    assert weak[14:46, 53:62].all() and not weak[:, :40].any()
    assert not find_weak(figure & False, score).any()


def test_a_gap_that_is_neither_the_set_as_lit_nor_a_shadow_is_doubtful():
    figure, blank = np.zeros(SIZE, bool), np.zeros(SIZE, np.float32)
    figure[10:20, 20:60], figure[40:50, 20:60] = True, True
    score, mismatch = blank - 1, blank.copy()
    mismatch[20:40, 20:60] = 5
    assert find_unexplained(figure, score, mismatch, blank)[23:27, 25:55].all()
    for known in ((blank - 5, mismatch, blank), (blank - 5, blank, blank), (blank - 5, mismatch, blank + 1)):
        assert not find_unexplained(figure, *known).any()


def test_what_looks_like_the_set_between_limbs_is_doubtful_where_that_says_little():
    figure, blank = np.zeros(SIZE, bool), np.zeros(SIZE, np.float32)
    figure[10:50, 28:32], figure[10:50, 38:42] = True, True
    for score, doubtful in ((-1, True), (-5, False)):
        found = find_unexplained(figure, blank + score, blank, blank)
        assert found[14:46, 34:36].all() == doubtful
        assert not found[:, :10].any()


def test_a_weaker_piece_that_hardly_hangs_together_with_the_main_one_is_doubtful():
    figure = np.zeros(SIZE, bool)
    figure[10:50, 10:30], figure[20:40, 50:65], figure[30, 30:50] = True, True, True
    strength = np.where(np.arange(SIZE[1]) < 40, 10, 3) * np.ones(SIZE, np.float32)
    band = np.zeros(SIZE, bool)
    band[20:40, 65:68] = True
    second = find_second_pieces(figure, strength, band)
    assert second[20:40, 50:68].all() and not second[:, :30].any()
    assert not find_second_pieces(figure, np.full(SIZE, 5.0), band).any()


def test_what_hangs_on_a_figure_is_broadly_joined_to_it_and_no_larger():
    figure, parts = np.zeros((2, *SIZE), bool)
    figure[5:25, 30:40] = True
    parts[25:40, 28:42], parts[50:58, 0:30] = True, True
    hanging = pick_hanging(figure, parts)
    assert hanging[25:40, 28:42].all() and not hanging[48:].any()
    parts[25:60] = True
    assert not pick_hanging(figure, parts).any()
