import numpy as np
import pytest

from lightstack.core.register.steps import batch_variance, find_strays, partition_path, path_noise


def cost(path, runs, penalty):
    return sum(((path[a:b] - path[a:b].mean(0)) ** 2).sum() for a, b in runs) + penalty * (len(runs) - 1)


def every_cut(count, shortest):
    """All ways to cut 0..count into runs of at least ``shortest``."""
    if count == 0:
        yield []
    for length in range(shortest, count + 1):
        for rest in every_cut(count - length, shortest):
            yield [*rest, (count - length, count)]


def test_known_steps_are_found_where_they_are():
    rng = np.random.default_rng(0)
    path = 0.02 * rng.standard_normal((60, 3))
    path[20:] += (0.2, 0, 0)
    path[45:] += (0, -0.15, 0)
    assert partition_path(path, scale=np.full(3, 0.02)) == [(0, 20), (20, 45), (45, 60)]


@pytest.mark.parametrize("seed", range(4))
def test_partition_is_the_optimum_of_all_cuts(seed):
    rng = np.random.default_rng(seed)
    path = rng.standard_normal((11, 2)) + 2 * (np.arange(11) > rng.integers(3, 8))[:, None]
    got = partition_path(path, scale=np.ones(2), penalty=3.0, shortest=2)
    best = min(every_cut(11, 2), key=lambda runs: cost(path, runs, 3.0))
    assert cost(path, got, 3.0) == pytest.approx(cost(path, best, 3.0))


def test_white_noise_is_never_cut():
    for seed in range(20):
        path = np.random.default_rng(seed).standard_normal((200, 3))
        assert partition_path(path, scale=np.ones(3)) == [(0, 200)]


def test_short_paths():
    assert partition_path(np.zeros((1, 3)), scale=np.ones(3)) == [(0, 1)]
    assert partition_path(np.zeros((5, 3)), scale=np.ones(3)) == [(0, 5)]
    assert not find_strays(np.zeros((2, 3))).any()


def test_strays_are_single_frames_not_steps():
    rng = np.random.default_rng(1)
    path = 0.02 * rng.standard_normal((50, 3))
    path[25:] += 0.5
    path[12] += 0.8
    assert np.flatnonzero(find_strays(path)).tolist() == [12]
    assert not find_strays(path, least_px=1.0).any()


def test_path_noise_is_deaf_to_steps():
    path = 0.03 * np.random.default_rng(2).standard_normal((400, 2))
    path[100:] += 3
    np.testing.assert_allclose(path_noise(path), 0.03, rtol=0.15)


def test_batch_variance_counts_slow_wandering():
    rng = np.random.default_rng(3)
    white = rng.standard_normal((240, 1))
    assert batch_variance(white)[0] == pytest.approx(1 / 240, rel=0.9)
    slow = np.sin(np.arange(240) / 25)[:, None]
    assert batch_variance(slow)[0] > 4 * slow.var() / 240
