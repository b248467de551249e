"""Key frames: the score, the greedy choice, and what it is worth."""

import itertools
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made import make_room, truth_plate

from lightstack.core.sweep.choose import (
    REC709_LUMINANCE,
    choose_key_frames,
    light_values,
    score_size,
    sum_brightest,
    weigh_channels,
)
from lightstack.errors import SettingError
from lightstack.records import NoiseModel


def score_choice(values, chosen):
    """f of a set of frames, as it is defined; the empty set scores 0."""
    return float(values[sorted(chosen)].max(axis=0).sum(dtype=np.float64)) if len(chosen) else 0.0


def choose_plainly(values, count):
    """Slow twin: evaluate every frame in every round; ties to the lowest index."""
    steps = np.rint(values.astype(np.float64) / (values.max() / 2**24)).astype(np.int64)
    best, order = np.zeros(values.shape[1], np.int64), []
    for _ in range(count):
        gains = [np.maximum(row - best, 0).sum() if k not in order else -1 for k, row in enumerate(steps)]
        k = int(np.argmax(gains))
        if gains[k] <= 0:
            break
        order.append(k)
        best = np.maximum(best, steps[k])
    return tuple(order)


def spots(rng, n=40, h=18, w=32, wide=3.0):
    """Frames that each light a spot of a wall."""
    y, x = np.mgrid[:h, :w]
    at = np.stack([rng.uniform(0, h, n), rng.uniform(0, w, n), rng.uniform(1, wide, n)])
    return np.stack([
        (np.exp(-((y - b) ** 2 + (x - a) ** 2) / (2 * s * s))).astype(np.float32).ravel() for b, a, s in at.T
    ])  # fmt: skip


def test_disjoint_frames_are_taken_largest_first():
    values = np.diag(np.float32([1, 3, 2]))
    choice = choose_key_frames(values, coverage=1.0)
    assert choice.order == (1, 2, 0)
    np.testing.assert_allclose(choice.gains, [3, 2, 1], rtol=1e-6)
    assert choice.coverage == 1.0


def test_equal_frames_go_to_the_lowest_index_and_only_one_is_taken():
    values = np.ones((5, 7), np.float32)
    assert choose_key_frames(values).order == (0,)
    assert choose_key_frames(values, excluded=[0, 1]).order == (2,)


@given(st.integers(0, 10_000))
@settings(max_examples=30, deadline=None)
def test_lazy_is_identical_to_plain_greedy(seed):
    rng = np.random.default_rng(seed)
    values = rng.integers(0, 5, (14, 20)).astype(np.float32) if seed % 2 else spots(rng)
    assert choose_key_frames(values, coverage=1.0, max_keys=9).order == choose_plainly(values, 9)


@given(st.integers(0, 10_000), st.integers(1, 5))
@settings(max_examples=25, deadline=None)
def test_greedy_reaches_its_share_of_the_best_set(seed, count):
    # REFERENCE  Nemhauser, Wolsey, Fisher 1978, Mathematical Programming 14: greedy >= (1 - 1/e) x optimum.
    # TOLERANCE  none; the optimum by trying every set at n <= 12.
    rng = np.random.default_rng(seed)
    values = (rng.random((10, 12)) * (rng.random((10, 12)) < 0.3)).astype(np.float32)
    best = max(score_choice(values, s) for s in itertools.combinations(range(10), count))
    choice = choose_key_frames(values, coverage=1.0, max_keys=count)
    assert score_choice(values, choice.order) >= 0.63212 * best


def test_stops_at_the_coverage_and_at_the_count():
    values = spots(np.random.default_rng(3), n=60)
    everything = score_choice(values, range(60))
    choice = choose_key_frames(values, coverage=0.9, max_keys=60)
    assert score_choice(values, choice.order) >= 0.9 * everything * (1 - 1e-6)
    assert score_choice(values, choice.order[:-1]) < 0.9 * everything
    assert choice.coverage == pytest.approx(score_choice(values, choice.order) / everything, abs=1e-6)
    assert len(choose_key_frames(values, coverage=1.0, max_keys=7).order) == 7
    assert np.all(np.diff(choice.gains) <= 1e-6)


def test_required_frames_come_first_and_excluded_ones_never():
    values = spots(np.random.default_rng(4), n=30)
    free = choose_key_frames(values, max_keys=6, coverage=1.0).order
    choice = choose_key_frames(values, max_keys=3, coverage=1.0, required=[29, 5, 11, 2], excluded=[free[0]])
    assert choice.order == (29, 5, 11, 2)
    choice = choose_key_frames(values, max_keys=6, coverage=1.0, required=[29], excluded=[free[0]])
    assert choice.order[0] == 29
    assert free[0] not in choice.order


@pytest.mark.parametrize(
    "wrong",
    [
        {"required": [9]},
        {"excluded": [-1]},
        {"required": [1], "excluded": [1]},
        {"coverage": 0},
        {"max_keys": 0},
    ],
)
def test_senseless_wishes_are_refused(wrong):
    with pytest.raises(SettingError):
        choose_key_frames(np.ones((4, 4), np.float32), **wrong)


def test_a_dark_sweep_gives_no_key_frames():
    choice = choose_key_frames(np.zeros((5, 8), np.float32))
    assert (choice.order, choice.gains, choice.coverage) == ((), (), 0.0)


def test_value_is_the_root_of_the_light_above_three_sigma():
    light = np.full((2, 9, 16, 3), 0.5, np.float16)
    light[1] = 0.02
    values = light_values(light, np.ones((2, 9, 16), bool), sigma=0.01, weights=np.array([1.0, 1.0]))
    np.testing.assert_allclose(values[0], np.sqrt(0.5 - 0.03), rtol=1e-3)
    assert not values[1].any()


def test_values_follow_weights_validity_and_bad_numbers():
    light = np.full((3, 90, 160, 3), 0.25, np.float32)
    light[2, 0, 0] = np.nan
    valid = np.ones((3, 90, 160), np.float32)
    valid[1, :, :80] = 0
    values = light_values(light, valid, sigma=0.0, weights=np.array([0.5, 1.0, 1.0])).reshape(3, 90, 160)
    assert values[0].max() == pytest.approx(0.25)
    assert not values[1, :, :80].any()
    assert values[1, :, 80:].min() == pytest.approx(0.5)
    assert values[2, 0, 0] == 0


def test_luminance_is_the_standards():
    # REFERENCE  ITU-R BT.709-6, item 3.2: E'Y = 0.2126 E'R + 0.7152 E'G + 0.0722 E'B.
    # TOLERANCE  float32, 1e-6.
    assert REC709_LUMINANCE == (0.2126, 0.7152, 0.0722)
    light = np.zeros((1, 4, 4, 3), np.float32)
    light[..., 1] = 1
    values = light_values(light, np.ones((1, 4, 4)), sigma=0.0, weights=np.ones(1))
    np.testing.assert_allclose(values, np.sqrt(0.7152), rtol=1e-6)


def test_a_dim_corner_under_a_red_gel_counts_with_the_lamps_own_weights():
    noise = NoiseModel(np.zeros(3), np.full(3, 1e-6))
    light = np.zeros((1, 8, 8, 3), np.float32)
    light[..., 0] = 0.006  # six sigma in red
    weights = weigh_channels(np.array([0.4, 0.01, 0.005]), noise=noise)
    assert weights.sum() == pytest.approx(1)
    assert weights.min() >= weights.max() / 20 * (1 - 1e-9)

    def lit(w):
        sigma = float(np.sqrt((np.square(w) * noise.b).sum()))
        return light_values(light, np.ones((1, 8, 8)), sigma=sigma, weights=np.ones(1), luminance=w).max()

    assert lit(REC709_LUMINANCE) == 0
    assert lit(weights) > 0
    np.testing.assert_allclose(weigh_channels(np.zeros(3), noise=noise), REC709_LUMINANCE)


def test_scored_size_keeps_the_shape_and_never_grows():
    assert score_size(360, 640) == (90, 160)
    assert score_size(640, 360) == (160, 90)
    assert score_size(20, 30) == (20, 30)
    assert score_size(1, 1) == (1, 1)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        light_values(np.zeros((2, 4, 4, 3)), np.ones((3, 4, 4)), sigma=0.0, weights=np.ones(2))


def test_memory_stays_bounded_at_1200_frames(tmp_path):
    # One float32 row of 160 x 90 a frame, as many whole steps, and nothing that grows with the survey size.
    n, h, w = 1200, 180, 320
    light = np.lib.format.open_memmap(tmp_path / "light.npy", "w+", np.float16, (n, h, w, 3))
    light[::50] = 0.1
    tracemalloc.start()
    values = light_values(light, np.broadcast_to(np.float32(1), (n, h, w)), sigma=0.001, weights=np.ones(n))
    choose_key_frames(values, max_keys=4)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert values.shape == (n, 14400)
    assert peak < 2.5 * values.nbytes + 30e6


# --- what others would pick: even spacing, group centres, where the picture changes most --------------------


def pick_evenly(n, count):
    return [int((i + 0.5) * n / count) for i in range(count)]


def pick_group_centres(values, count, rng):
    centres = values[rng.choice(len(values), count, replace=False)]
    for _ in range(10):
        group = np.argmin(((values[:, None] - centres[None]) ** 2).sum(-1), axis=1)
        centres = np.stack([values[group == g].mean(0) if (group == g).any() else centres[g] for g in range(count)])
    return sorted({int(np.argmin(((values - c) ** 2).sum(-1))) for c in centres})


def pick_changes(values, count):
    change = np.abs(np.diff(values, axis=0)).sum(1)
    return sorted(int(k) + 1 for k in np.argsort(-change)[:count])


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("count", [6, 12])
def test_ahead_of_other_ways_to_pick(seed, count):
    rng = np.random.default_rng(seed)
    values = spots(rng, n=80, wide=6.0)
    ours = score_choice(values, choose_key_frames(values, coverage=1.0, max_keys=count).order)
    others = (pick_evenly(80, count), pick_group_centres(values, count, rng), pick_changes(values, count))
    for other in others:
        assert ours >= 0.995 * score_choice(values, other)


@pytest.mark.parametrize("seed", [1, 2])
def test_ahead_of_other_ways_to_pick_in_a_made_room(seed):
    # Truth: the maximum of every noise-free frame with lamp and carrier truly masked.
    room = make_room(seed, size=(90, 160), frames=48, bump_px=0, turn_deg=0)
    lit = np.flatnonzero(room.lamp_on)
    sigma = 0.0015  # of luminance, in the dark
    light = np.stack([(room.filmed(k) - room.ambient).astype(np.float16) for k in lit])
    values = light_values(light, ~room.blocked[lit], sigma=sigma, weights=np.ones(len(lit)))
    truth = np.minimum(truth_plate(room)[0], 0.95)

    def plate_error(indices):
        return np.abs(np.minimum(truth_plate(room, lit[list(indices)])[0], 0.95) - truth).mean() / truth.mean()

    for count in (6, 12):
        ours = choose_key_frames(values, coverage=1.0, max_keys=count).order
        rng = np.random.default_rng(seed)
        others = (
            pick_evenly(len(lit), count),
            pick_group_centres(values, count, rng),
            pick_changes(values, count),
        )
        for other in others:
            assert score_choice(values, ours) >= 0.995 * score_choice(values, other)
            assert plate_error(ours) < plate_error(other)


def test_the_brightest_tenth_of_what_is_open_is_summed():
    rng = np.random.default_rng(5)
    light, covered = rng.normal(0.2, 0.2, (30, 40, 3)).astype(np.float32), rng.random((30, 40)) < 0.3
    light[2, 3] = np.nan
    open_light = light[~covered & np.isfinite(light).all(axis=2)].astype(np.float64)
    luma = open_light[:, 0] + open_light[:, 1] + open_light[:, 2]
    expected = open_light[luma >= np.quantile(luma, 0.9)].sum(axis=0)
    np.testing.assert_array_equal(sum_brightest(light, covered), expected)
    np.testing.assert_array_equal(sum_brightest(light, np.ones_like(covered)), 0)
