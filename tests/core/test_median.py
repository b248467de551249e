"""Median, mean and sigma-clipped mean over time: against numpy, a slow twin, at every band and thread count."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from lightstack.core.clean import median_kernels
from lightstack.core.clean.median import (
    METHODS,
    list_sorting_steps,
    middle_steps,
    noise_share,
    reduce_frames,
    sorting_steps,
)
from lightstack.core.half import HALF_VALUES

KINDS = (np.float16, np.float32, np.uint8, np.uint16)


def make_frames(count, kind, *, size=(9, 14), seed=0, unseen=0.0):
    rng = np.random.default_rng(seed)
    if np.dtype(kind).kind == "u":
        return rng.integers(0, np.iinfo(kind).max, (count, *size, 3), endpoint=True).astype(kind)
    frames = rng.normal(0.1, 1, (count, *size, 3)).astype(kind)
    frames[rng.random(frames.shape) < unseen] = np.nan
    return frames


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 16, 31, 33])
def test_the_median_is_numpys(count, kind):
    # REFERENCE  numpy.median on the same frames, widened to 32-bit floats (halves and codes fit exactly).
    # TOLERANCE  none: equal to the last bit.
    frames = make_frames(count, kind)
    expected = np.median(frames.astype(np.float32), axis=0)
    reduced = reduce_frames(frames)
    np.testing.assert_array_equal(reduced.light, expected)
    assert reduced.light.dtype == np.float32
    assert (reduced.seen == count).all()


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_what_is_not_seen_is_left_out(kind):
    # REFERENCE  numpy.nanmedian. TOLERANCE  none.
    frames = make_frames(8, kind, unseen=0.5)
    frames[:, 0, 0] = np.nan
    with warnings.catch_warnings(action="ignore"):  # numpy warns of pixels that hold nothing
        expected = np.nanmedian(frames.astype(np.float32), axis=0)
    reduced = reduce_frames(frames)
    np.testing.assert_array_equal(reduced.light, expected)
    np.testing.assert_array_equal(reduced.seen, (~np.isnan(frames)).sum(axis=0).min(axis=-1))
    assert np.isnan(reduced.light[0, 0]).all()


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("rows_at_once", [1, 4, 40])
@pytest.mark.parametrize("threads", [1, 2, 3])
def test_every_band_and_thread_count_gives_the_same_bytes(method, rows_at_once, threads, tmp_path, monkeypatch):
    monkeypatch.setattr("lightstack.core.clean.median.LEAST_VALUES_PER_THREAD", 50)
    frames = make_frames(11, np.float16, size=(40, 33), unseen=0.2)
    whole = reduce_frames(frames, method=method, threads=1)
    mapped = np.memmap(tmp_path / "frames", np.float16, "w+", shape=frames.shape)
    mapped[:] = frames
    for top in range(0, 40, rows_at_once):
        rows = (top, min(top + rows_at_once, 40))
        part = reduce_frames(mapped, method=method, rows=rows, threads=threads)
        assert part.light.tobytes() == whole.light[slice(*rows)].tobytes()
        assert part.seen.tobytes() == whole.seen[slice(*rows)].tobytes()


@given(
    arrays.arrays(
        np.float32,
        st.tuples(st.integers(1, 12), st.just(2), st.integers(1, 5), st.just(3)),
        elements=st.floats(-(2.0**100), 2.0**100, width=32),
    )
)
@settings(max_examples=40, deadline=None)
def test_order_does_not_matter_and_the_median_lies_among_the_values(frames):
    forth, back = reduce_frames(frames).light, reduce_frames(np.ascontiguousarray(frames[::-1])).light
    np.testing.assert_array_equal(forth, back)
    assert (forth >= frames.min(axis=0)).all()
    assert (forth <= frames.max(axis=0)).all()


def test_infinite_and_negative_light_sorts_where_it_belongs():
    frames = np.array([-np.inf, -0.0, 1e-7, np.inf, -3.0], np.float16).reshape(5, 1, 1, 1)
    assert reduce_frames(frames).light.item() == 0
    assert reduce_frames(frames[:3]).light.item() == 0
    assert reduce_frames(frames[3:4]).light.item() == np.inf


def test_codes_become_light_after_they_are_sorted():
    table = np.sqrt(np.arange(256, dtype=np.float32))
    frames = make_frames(4, np.uint8)
    np.testing.assert_array_equal(reduce_frames(frames, table=table).light, np.median(table[frames], axis=0))
    mean = reduce_frames(frames, method="mean", table=table).light
    np.testing.assert_allclose(mean, table[frames].mean(axis=0, dtype=np.float64), rtol=1e-6)


def test_the_mean_is_a_mean():
    frames = make_frames(9, np.float16, unseen=0.3)
    with warnings.catch_warnings(action="ignore"):  # numpy warns of pixels that hold nothing
        expected = np.nanmean(frames.astype(np.float64), axis=0)
    # TOLERANCE  one rounding to 32-bit floats of a 64-bit sum.
    np.testing.assert_allclose(reduce_frames(frames, method="mean").light, expected, rtol=1e-6, atol=1e-7)


def clip_slowly(values, sigmas, least_sigma, rounds=5):
    """The clipped mean of one pixel, as it is described."""
    kept = values[~np.isnan(values)].astype(np.float64)
    if not len(kept):
        return np.nan, 0
    for _ in range(rounds):
        middle = np.median(kept)
        sigma = max(1.482602218505602 * np.median(np.abs(kept - middle)), least_sigma)
        inside = kept[np.abs(kept - middle) <= sigmas * sigma]
        if len(inside) == len(kept):
            break
        kept = inside
    return kept.mean(), len(kept)


@pytest.mark.parametrize("least_sigma", [0.0, 0.5])
@pytest.mark.parametrize("count", [2, 5, 16, 31])
def test_the_clipped_mean_is_its_slow_twin(count, least_sigma):
    frames = make_frames(count, np.float32, size=(5, 6), unseen=0.1)
    frames[: count // 3] += 20  # somebody who covers a third
    reduced = reduce_frames(frames, method="sigma_clip", least_sigma=least_sigma)
    for place in np.ndindex(*frames.shape[1:]):
        mean, kept = clip_slowly(frames[(slice(None), *place)], 3.0, least_sigma)
        np.testing.assert_allclose(reduced.light[place], mean, rtol=1e-6, equal_nan=True)
        assert reduced.seen[place[:2]] <= kept


def test_clipping_leaves_out_a_passer_and_keeps_the_noise_of_a_mean():
    rng = np.random.default_rng(3)
    frames = rng.normal(0.2, 0.01, (31, 64, 64, 3)).astype(np.float32)
    frames[:10, 20:40] = 0.7
    light = reduce_frames(frames, method="sigma_clip").light
    assert abs(light[20:40].mean() - 0.2) < 1e-3
    # REFERENCE  the standard error of a mean, sigma / sqrt(n); 3 sigma of a normal keeps 99.7 %.
    # TOLERANCE  clipping by a sigma estimated from 31 values costs a few percent.
    assert light[:20].std() == pytest.approx(0.01 / np.sqrt(31), rel=0.08)


@pytest.mark.parametrize("count", range(1, 11))
def test_the_network_sorts_everything(count):
    # REFERENCE  Knuth, "The Art of Computer Programming" vol. 3, 5.3.4, theorem Z: a network that sorts all
    #            sequences of 0 and 1 sorts everything. TOLERANCE  none.
    columns = (np.arange(2**count)[None] >> np.arange(count)[:, None] & 1).astype(np.uint8)
    buffer = np.ascontiguousarray(columns)
    median_kernels.run_steps(sorting_steps(count), buffer)
    np.testing.assert_array_equal(buffer, np.sort(columns, axis=0))
    buffer = np.ascontiguousarray(columns)
    median_kernels.run_steps(middle_steps(count), buffer)
    rows = [(count - 1) // 2, count // 2]
    np.testing.assert_array_equal(buffer[rows], np.sort(columns, axis=0)[rows])


def test_steps_that_the_middle_does_not_need_are_left_out():
    # REFERENCE  odd-even merge sort of 32 rows has 191 comparators (Knuth vol. 3, 5.3.4, table 1: 191 for n = 32).
    assert len(list_sorting_steps(32)) == 191
    assert len(middle_steps(31)) < len(list_sorting_steps(31)) < 191


@pytest.mark.parametrize(("method", "count"), [("median", 1), ("median", 7), ("median", 31), ("mean", 12)])
def test_the_noise_that_is_left_is_what_is_stated(method, count):
    rng = np.random.default_rng(count)
    frames = rng.normal(0, 1, (count, 120, 120, 3)).astype(np.float32)
    measured = reduce_frames(frames, method=method).light.std()
    # TOLERANCE  43,200 values give their own sigma to 0.4 %; the formula is within 1.2 %.
    assert measured == pytest.approx(float(noise_share(count, method=method)), rel=0.02)


def test_unusable_frames_are_refused():
    with pytest.raises(ValueError, match="unknown"):
        reduce_frames(np.zeros((3, 2, 2, 3), np.float32), method="mode")
    with pytest.raises(ValueError, match="at least one"):
        reduce_frames(np.zeros((0, 2, 2, 3), np.float32))
    with pytest.raises(ValueError, match="float64"):
        reduce_frames(np.zeros((3, 2, 2, 3)))
    with pytest.raises(ValueError, match="rise"):
        reduce_frames(np.zeros((3, 2, 2, 3), np.uint8), table=-np.arange(256, dtype=np.float32))


def test_half_floats_keep_their_values():
    frames = np.arange(0, 31744, 31, dtype=np.uint16).view(np.float16).reshape(1, 2, 512, 1)
    np.testing.assert_array_equal(reduce_frames(frames).light.ravel(), HALF_VALUES[0:31744:31])
