"""What is decided at small size."""

import numpy as np
import pytest

from lightstack.core.sweep.blockers import GLINT
from lightstack.files.shot.shotfile import check_sweep
from lightstack.jobs.sweep.choice import (
    block_glints,
    choose_frames,
    describe_keys,
    find_reach,
    measure_values,
    share_dwell,
    weigh_light,
)
from lightstack.records import Choice


@pytest.fixture(scope="module")
def look(small_outcome):
    return small_outcome.look


@pytest.fixture(scope="module")
def scale(look):
    return weigh_light(look)


class Fitted:
    """A sweep of sixty frames of which only the numbers are asked."""

    def __init__(self, info):
        self.info, self.take = info, self

    def number_of(self, file, frame):
        return frame if file is None else None


@pytest.fixture
def fitted(small_outcome):
    return Fitted(small_outcome.info)


def test_the_lamps_colour_is_its_gels(scale, small_room):
    truth = small_room.clean[small_room.lamp_on].astype(np.float64).mean((0, 1, 2))
    # TOLERANCE  10 %: measured where each frame is brightest, and there on walls of some colour.
    np.testing.assert_allclose(scale.colour, truth / truth.max(), atol=0.1)
    assert scale.weights.sum() > 0 and (scale.sigma > 0).all()


def test_key_frames_are_lit_and_reach_the_coverage_that_was_asked(look, scale, fitted):
    few = choose_frames(look, check_sweep({"path": ["a"], "coverage": 0.9}), fitted, scale)
    many = choose_frames(look, check_sweep({"path": ["a"], "coverage": 0.99}), fitted, scale)
    assert few.coverage >= 0.9 and len(few.order) < len(many.order)
    assert few.order == many.order[: len(few.order)]  # greedy: more coverage only adds
    assert look.table.lamp_on[list(many.order)].all()
    # Slow twin of coverage: the share of f, the sum over pixels of the largest value.
    values = measure_values(look, scale, range(len(look.proxies)))
    lit = np.flatnonzero(look.table.lamp_on)
    share = values[list(few.order)].max(0).sum(dtype=float) / values[lit].max(0).sum(dtype=float)
    assert few.coverage == pytest.approx(share, abs=1e-3)


def test_excluded_frames_are_never_chosen_and_keys_by_hand_always(look, scale, fitted):
    free = choose_frames(look, check_sweep({"path": ["a"], "exclude": [[15, 30], 40]}), fitted, scale)
    numbers = look.proxies.source_frames[list(free.order)].tolist()
    assert not set(numbers) & {*range(15, 31), 40}
    by_hand = choose_frames(look, check_sweep({"path": ["a"], "keys": [22, 44], "exclude": [22]}), fitted, scale)
    assert sorted(look.proxies.source_frames[list(by_hand.order)].tolist()) == [22, 44]


def test_rows_of_key_frames_say_what_was_chosen(look, scale, fitted):
    settings = check_sweep({"path": ["a"], "max_keys": 6, "even": 1.0})
    choice = choose_frames(look, settings, fitted, scale)
    rows = describe_keys(look, choice, settings, fitted.info, scale)
    assert [row.rank for row in rows] == [1, 2, 3, 4, 5, 6]
    assert sum(row.gain for row in rows) == pytest.approx(1)
    assert all(0 <= row.weight <= 1 and 0 <= row.blocked < 1 for row in rows)
    as_shot = describe_keys(look, choice, check_sweep({"path": ["a"]}), fitted.info, scale)
    assert all(row.level_stops == 0 for row in as_shot)


def test_evening_half_way_takes_half_the_stops(look, scale, fitted):
    choice = choose_frames(look, check_sweep({"path": ["a"], "max_keys": 5}), fitted, scale)

    def stops(even):
        settings = check_sweep({"path": ["a"], "even": even})
        return [row.level_stops for row in describe_keys(look, choice, settings, fitted.info, scale)]

    full, half = stops(1.0), stops(0.5)
    small = np.abs(full) < 2  # within the limit
    np.testing.assert_allclose(np.array(half)[small], np.array(full)[small] / 2, atol=1e-6)


def test_a_pause_of_the_lamp_is_no_hot_spot(look, scale, small_outcome):
    shares = share_dwell(look, scale, small_outcome.keys)
    assert len(shares) == len(small_outcome.keys) and all(0 <= share <= 1.0001 for share in shares)
    doubled = share_dwell(look, scale, [small_outcome.keys[0], small_outcome.keys[0]])
    assert doubled[0] == pytest.approx(doubled[1]) and sum(doubled) == pytest.approx(1, abs=0.05)


def test_only_glints_are_left_out_and_every_patch_keeps_one(look, scale, small_outcome):
    choice = small_outcome.choice
    out = block_glints(look, choice, scale)
    glints = np.stack([(look.blocked[k] & GLINT) > 0 for k in choice.order])
    removed = np.stack([out[k] for k in choice.order])
    assert not (removed & ~glints).any()
    assert (glints & ~removed).any() == glints.any()
    alone = block_glints(look, Choice(choice.order[:1], choice.gains[:1], 1.0), scale)
    assert not next(iter(alone.values())).any()


def test_reach_is_where_the_light_arrived(look, small_outcome, small_room):
    from made import truth_reached

    reach = find_reach(look, small_outcome.ambient.noise, (112, 200))
    assert reach.shape == (112, 200) and reach.dtype == bool
    # REFERENCE  the room's noise-free light against three sigma of one frame.  TOLERANCE  3 % of the picture.
    assert (reach != truth_reached(small_room)).mean() < 0.03
    odd = find_reach(look, small_outcome.ambient.noise, (113, 201))
    assert odd.shape == (113, 201)
    np.testing.assert_array_equal(odd[:112, :200], reach)


def test_places_that_the_lamp_never_reached_are_found(tmp_path, unwatched):
    from jobs_helpers import build
    from made import make_room, truth_reached, write_movie

    room = make_room(101, size=(112, 200), frames=60, lead=10, unreached=True)
    found, true = ~build(write_movie(room, tmp_path / "sweep.mkv"), tmp_path, unwatched).reach, ~truth_reached(room)
    assert true.mean() >= 0.01
    # REFERENCE  the room's noise-free light in its strongest channel against three sigma of one frame.
    # TOLERANCE  0.8 of what either calls unreached (the aim stated for places of 1 % of the picture and more).
    overlap = (found & true).sum() / (found | true).sum()
    print(f"\nunreached {true.mean():.1%} of the picture, found with an overlap of {overlap:.2f}")
    assert overlap >= 0.8
