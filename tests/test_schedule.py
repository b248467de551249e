"""The schedule that `tests/bench/cluster.py` simulates, on cases that can be reckoned by hand."""

import pytest
from bench.cluster import Watched, cut_parts
from bench.schedule import Part, name_bottleneck, simulate


def test_one_shot_waits_for_its_pieces():
    # REFERENCE  by hand: 1 s here, then three pieces of 1 s on two workers take 2 s, then 0.5 s here.
    parts = [Part("look", 4.0, [1.0, 1.0, 1.0]), Part("write", 0.5)]
    found = simulate(parts, shots=1, workers=2, jobs=4)
    assert found.hours * 3600 == pytest.approx(3.5)
    assert found.workers_busy == pytest.approx(3 / (2 * 3.5)) and found.ours_busy == pytest.approx(1.5 / 3.5)


def test_a_second_shot_uses_the_workers_while_the_first_is_looked_at():
    # REFERENCE  by hand: pieces of 2 s follow 1 s here. Alone after each other 6 s; two at a time wait for the worker.
    parts = [Part("a", 3.0, [2.0])]
    assert simulate(parts, shots=2, workers=1, jobs=1).hours * 3600 == pytest.approx(6.0)
    assert simulate(parts, shots=2, workers=1, jobs=2).hours * 3600 == pytest.approx(5.0)
    assert simulate(parts, shots=2, workers=2, jobs=2).hours * 3600 == pytest.approx(3.0)


def test_pieces_of_a_shot_that_is_ready_are_not_kept_waiting_by_one_that_is_not():
    # REFERENCE  by hand: the first shot's second part is ready at 11 s only; until then the second one's piece is done.
    parts = [Part("a", 0.0, [1.0]), Part("b", 12.0, [2.0])]
    assert simulate(parts, shots=2, workers=1, jobs=2).hours * 3600 == pytest.approx(15.0)


@pytest.mark.parametrize(("workers", "jobs", "named"), [(1, 8, "the workers"), (64, 1, "what is not spread")])
def test_the_bottleneck_is_what_takes_longest_at_the_least(workers, jobs, named):
    parts = [Part("look", 5.0, [1.0] * 4), Part("choose", 2.0)]
    said = name_bottleneck(parts, workers, jobs)
    assert said.startswith(named) and ("choose 2.0 s" in said) == (jobs == 1)
    # no schedule is faster than the bottleneck
    least = max(4.0 / workers, (3.0 + 1.0) / jobs)
    found = simulate(parts, shots=40, workers=workers, jobs=jobs)
    assert 40 * least <= found.hours * 3600 + 1e-9 <= 40 * least * 1.6


def test_pieces_belong_to_the_step_in_which_they_began():
    watched = Watched(begins=[0.0, 2.0, 5.0], names=["a", "b", "c"])
    parts = cut_parts(watched, 9.0, [(2.0, 1.5), (2.5, 2.0), (6.0, 1.0)])
    assert [(part.name, part.seconds, part.pieces) for part in parts] == [
        ("a", 2.0, []), ("b", 3.0, [1.5, 2.0]), ("c", 4.0, [1.0])
    ]  # fmt: skip
    assert [part.span for part in parts] == [0.0, 2.5, 1.0]
