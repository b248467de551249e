"""Which frames a quick look sees, and what decoding them costs."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.core.sampling import count_decoded, plan_samples, space_evenly, widest_gap


def decode_by_hand(frames, starts):
    """The plain twin: walk through the movie, jump only where a sync frame lies between."""
    decoded, position = set(), 0
    for frame in frames:
        begin = max(s for s in starts if s <= frame)
        decoded |= set(range(max(begin, position + 1), frame + 1))
        position = frame
    return len(decoded)


def test_evenly_spaced_frames_hold_both_ends():
    assert space_evenly(1, 101, 11) == tuple(range(1, 102, 10))
    assert space_evenly(5, 8, 100) == (5, 6, 7, 8)
    assert space_evenly(3, 3, 10) == (3,)


def test_every_frame_can_be_had_by_itself():
    assert plan_samples(1, 2880, 64, sync=None, budget=70) == space_evenly(1, 2880, 64)


def test_samples_move_towards_sync_frames_until_the_cost_fits():
    sync = range(1, 2881, 250)
    frames = plan_samples(1, 2880, 64, sync=sync, budget=180)
    assert count_decoded(frames, sync) <= 180
    assert count_decoded(frames, sync) > 120  # the budget is used
    assert len(frames) > 3 * len(sync)
    assert {(frame - 1) // 250 for frame in frames} == set(range(12))  # every part of the take is seen


def test_a_budget_that_is_large_enough_changes_nothing():
    assert plan_samples(1, 240, 64, sync=(1,), budget=240) == space_evenly(1, 240, 64)


def test_a_movie_that_can_only_be_read_from_its_start_is_seen_at_its_start():
    frames = plan_samples(1, 1000, 20, sync=(1,), budget=100)
    assert max(frames) <= 100 and len(frames) > 10


@given(
    last=st.integers(2, 400),
    count=st.integers(1, 80),
    budget=st.integers(1, 500),
    group=st.integers(1, 100),
)
def test_no_plan_costs_more_than_its_budget(last, count, budget, group):
    sync = tuple(range(1, last + 1, group))
    frames = plan_samples(1, last, count, sync=sync, budget=budget)
    assert 1 <= len(frames) <= count
    assert list(frames) == sorted(set(frames)) and frames[0] >= 1 and frames[-1] <= last
    assert count_decoded(frames, sync) <= budget


@pytest.mark.parametrize("seed", range(5))
def test_the_cost_is_that_of_reading_by_hand(seed):
    rng = np.random.default_rng(seed)
    starts = np.unique(np.r_[1, rng.integers(1, 200, 6)])
    frames = np.unique(rng.integers(1, 200, 15))
    assert count_decoded(frames, starts) == decode_by_hand(frames.tolist(), starts.tolist())


def test_the_widest_gap_counts_while_the_lamp_is_on():
    seconds = np.array([0.0, 8.0, 8.5, 10.0, 10.2, 30.0])
    lit = np.array([0, 0, 1, 1, 0, 0], bool)
    assert widest_gap(seconds, lit) == pytest.approx(1.5)
    assert widest_gap(np.full(6, np.nan), lit) == 0.0
    assert widest_gap(seconds, np.zeros(6, bool)) == 0.0
