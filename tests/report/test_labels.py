from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from lightstack.report.labels import fit_labels, place_beside, spread_labels


def test_labels_with_room_stay_where_they_are():
    assert spread_labels([10, 30, 55], 5, 0, 100) == [10, 30, 55]


def test_two_labels_on_one_place_part_evenly():
    np.testing.assert_allclose(spread_labels([50, 50], 10, 0, 100), [45, 55])


def test_labels_at_the_rim_stay_inside():
    np.testing.assert_allclose(spread_labels([0, 0, 100], 10, 0, 100), [5, 15, 95])


def test_more_labels_than_room_share_it():
    places = spread_labels([1, 2, 3, 4], 50, 0, 100)
    np.testing.assert_allclose(np.diff(places), 25)


def test_spreading_is_the_least_squares_answer():
    # REFERENCE  scipy.optimize.minimize (SLSQP) on the same quadratic programme.
    # TOLERANCE  1e-3, the optimiser's own convergence.
    rng = np.random.default_rng(5)
    for _ in range(6):
        wanted = np.sort(rng.uniform(0, 100, 7))
        gap = 11.0
        steps = np.diff(np.eye(7), axis=0)
        found = minimize(
            lambda x, wanted=wanted: np.sum((x - wanted) ** 2),
            np.linspace(10, 90, 7),
            method="SLSQP",
            bounds=[(gap / 2, 100 - gap / 2)] * 7,
            constraints=LinearConstraint(steps, gap, np.inf),
            options={"ftol": 1e-12, "maxiter": 500},
        )
        np.testing.assert_allclose(spread_labels(wanted.tolist(), gap, 0, 100), found.x, atol=1e-3)


@settings(max_examples=60)
@given(st.lists(st.floats(0, 100), min_size=1, max_size=40), st.floats(0.1, 20))
def test_labels_keep_order_distance_and_bounds(wanted, gap):
    places = spread_labels(sorted(wanted), gap, 0, 100)
    least = min(gap, 100 / len(wanted))
    assert all(b - a >= least - 1e-9 for a, b in pairwise(places))
    assert places[0] >= least / 2 - 1e-9
    assert places[-1] <= 100 - least / 2 + 1e-9


def test_the_best_ranked_are_labelled_when_room_is_short():
    assert fit_labels([3, 1, 2, 4], 1.0, levels=2) == [1, 2]
    assert fit_labels([3, 1, 2], 10.0) == [0, 1, 2]


WHOLE = (0.0, 0.0, 100.0, 100.0)


def test_a_label_lies_right_above_its_point_where_that_is_free():
    assert place_beside([(50, 50)], [(10, 4)], gap=2, within=WHOLE) == [(52, 52, 62, 56)]


def test_labels_turn_aside_from_others_from_what_is_taken_and_from_the_rim():
    first, second, at_the_rim = place_beside(
        [(50, 50), (51, 50), (98, 98)], [(10, 4)] * 3, gap=2, taken=[(48, 40, 64, 49)], within=WHOLE
    )
    assert first == (52, 52, 62, 56)
    assert second == (39, 52, 49, 56)  # to the left: right of it lie the first and what is taken
    assert at_the_rim == (86, 92, 96, 96)


def test_a_label_without_room_is_left_out_and_does_not_keep_others_away():
    found = place_beside([(50, 50), (20, 50)], [(99, 99), (10, 4)], gap=2, within=WHOLE)
    assert found == [None, (22, 52, 32, 56)]


def test_what_is_needed_rather_covers_what_is_taken_but_no_label():
    everywhere = [(0, 0, 100, 100)]
    found = place_beside([(50, 50), (50, 50), (50, 50)], [(10, 4)] * 3, gap=2, taken=everywhere, within=WHOLE, needed=2)
    assert found == [(52, 52, 62, 56), (52, 44, 62, 48), None]


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), max_size=30))
def test_placed_labels_never_meet(points):
    boxes = [box for box in place_beside(points, [(12, 5)] * len(points), gap=1, within=WHOLE) if box is not None]
    for k, a in enumerate(boxes):
        assert all(a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1] for b in boxes[:k])
