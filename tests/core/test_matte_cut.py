"""Partings against a maximum flow and a slow twin."""

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_flow

from lightstack.core.matte.cut import edge_weights, part_picture


def make_problem(seed, size=(11, 14)):
    rng = np.random.default_rng(seed)
    score = rng.normal(0, 1.5, size)
    score[3:8, 4:10] += 2
    across, down = rng.uniform(0.2, 2, size), rng.uniform(0.2, 2, size)
    return tuple(np.round(100 * p).astype(np.int32) for p in (score, across, down))


def cost_of(u, score, across, down):
    steps = (across[:, :-1] * np.abs(np.diff(u, axis=1))).sum() + (down[:-1] * np.abs(np.diff(u, axis=0))).sum()
    return float(steps - (score * u).sum())


def flow_cost(score, across, down):
    """The least cost by a maximum flow: cost = flow - sum of positive scores."""
    h, w = score.shape
    number = np.arange(h * w).reshape(h, w)
    source, sink = h * w, h * w + 1
    rows, columns, values = [], [], []

    def join(a, b, value):
        rows.extend(a.ravel()), columns.extend(b.ravel()), values.extend(value.ravel())

    for one, two, weight in ((number[:, :-1], number[:, 1:], across[:, :-1]), (number[:-1], number[1:], down[:-1])):
        join(one, two, weight)
        join(two, one, weight)
    join(np.full_like(number, source), number, np.maximum(score, 0))
    join(number, np.full_like(number, sink), np.maximum(-score, 0))
    graph = csr_matrix((np.array(values, np.int32), (rows, columns)), shape=(h * w + 2,) * 2)
    return maximum_flow(graph, source, sink).flow_value - int(np.maximum(score, 0).sum())


@pytest.mark.parametrize("seed", [81, 82, 83])
def test_the_parting_costs_as_little_as_a_maximum_flow(seed):
    score, across, down = make_problem(seed)
    u = part_picture(*(p.astype(np.float32) / 100 for p in (score, across, down)), rounds=1500)
    # REFERENCE  scipy.sparse.csgraph.maximum_flow; the least cut equals the largest flow (Ford & Fulkerson 1956).
    # TOLERANCE  1,500 rounds of a first-order method, then every pixel rounded to 0 or 1.
    ours = cost_of((u > 0.5).astype(float), score, across, down)
    least = flow_cost(score, across, down)
    assert least - 1e-6 <= ours <= least + 0.01 * abs(least)


def slow_parting(score, across, down, rounds):
    """The primal-dual iteration, written with whole arrays in float64."""
    u = (score > 0).astype(float)
    ahead, px, py = u.copy(), np.zeros_like(u), np.zeros_like(u)
    for _ in range(rounds):
        px[:, :-1] = np.clip(px[:, :-1] + 0.5 * np.diff(ahead, axis=1), -across[:, :-1], across[:, :-1])
        py[:-1] = np.clip(py[:-1] + 0.5 * np.diff(ahead, axis=0), -down[:-1], down[:-1])
        flow = px + py
        flow[:, 1:] -= px[:, :-1]
        flow[1:] -= py[:-1]
        new = np.clip(u + 0.25 * (flow + score), 0, 1)
        ahead, u = 2 * new - u, new
    return u


def test_the_compiled_loop_is_its_slow_twin():
    score, across, down = (p / 100 for p in make_problem(84))
    fast = part_picture(*(p.astype(np.float32) for p in (score, across, down)), rounds=40)
    np.testing.assert_allclose(fast, slow_parting(score, across, down, 40), atol=1e-4)


def test_outlines_are_cheap_where_the_hero_has_an_edge_that_the_set_has_not():
    logs, rest = np.zeros((2, 20, 30, 3), np.float32)
    logs[:, 10:] += 1  # an edge of the set: in the frame, not in the difference
    logs[:, 20:] -= 1
    rest[:, 20:] -= 1  # an edge of a figure: in both
    across, _ = edge_weights(logs, rest, np.full((20, 30), 0.02, np.float32))
    assert across[10, 19] < 0.1 * across[10, 9]
    assert across[10, 9] == pytest.approx(across[10, 4], rel=1e-5)
