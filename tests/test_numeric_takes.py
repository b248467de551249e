"""What a take is told from, on pictures that no camera gives: no numbers, infinity, one pixel, none at all, all alike,
the ends of floats, negative light. As in `test_numeric_core`: no exception but documented ones, shapes as documented.
"""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_numeric_core import FEW, SEEDS, draw_picture, quiet

from lightstack.core.half import take_apart
from lightstack.core.lamp.travel import MOST_STILLS, plan_travel, spread_stills
from lightstack.core.matte.finish import finish_frame
from lightstack.core.matte.matte import MatteFinder, learn_hero
from lightstack.core.noise import NoiseModel
from lightstack.core.page.reduce import StillReducer, spread_over
from lightstack.core.register.register import measure_pose, solve_take
from lightstack.core.sweep.separate import combine_validity
from lightstack.errors import SettingError

FEWER = settings(FEW, max_examples=12)
NOISE = NoiseModel(np.full(3, 4e-4), np.full(3, 4e-6))
LARGE, SMALL = st.integers(24, 60), st.integers(1, 23)
KINDS = ("plain", "odd", "finite", "flat", "black", "negative", "huge", "tiny", "alike")


def draw_take(seed, kind, count, *shape, huge=3e38):
    """``count`` pictures of a kind, float32; "alike": one textured picture, again and again."""
    rng = np.random.default_rng(seed)
    if kind in ("odd", "finite"):
        return [draw_picture(seed + k, *shape, odd=0.05, finite=kind == "finite") for k in range(count)]
    level = {"flat": 0.5, "black": 0.0, "negative": -0.3, "huge": huge, "tiny": 1e-40}.get(kind)
    if level is not None:
        return [np.full(shape, level, np.float32)] * count
    first = rng.exponential(0.3, shape).astype(np.float32)
    if kind == "alike":
        return [first] * count
    return [np.asarray(first + rng.normal(0, 0.01, shape), np.float32) for _ in range(count)]


def check_registration(found, count):
    """Stretches follow each other without a gap; every pose can be turned round; what is not known is not used."""
    edges = [(stretch.first, stretch.last) for stretch in found.stretches]
    assert edges[0][0] == 1 and edges[-1][1] == count
    assert all(a[1] + 1 == b[0] for a, b in pairwise(edges))
    for stretch in found.stretches:
        assert np.isfinite(stretch.matrix).all() and abs(np.linalg.det(stretch.matrix)) > 1e-6
        assert stretch.shift_px >= 0 and stretch.standard_error_px >= 0
        assert not stretch.identity or np.array_equal(stretch.matrix, np.eye(3))
    assert found.agreement.shape == (count,) and set(found.left_out) <= set(range(1, count + 1))


@FEWER
@given(SEEDS, st.one_of(SMALL, LARGE), st.one_of(SMALL, LARGE), st.sampled_from(KINDS), st.booleans())
def test_a_pose_is_measured_or_said_not_to_be_known(seed, height, width, kind, grey):
    one, two = draw_take(seed, kind, 2, height, width, *(() if grey else (3,)))
    with quiet():
        found = measure_pose(one, two)
    assert found.matrix.shape == (3, 3) and np.isfinite(found.matrix).all()
    assert 0 <= found.agreement <= 1
    assert not found.converged or np.isfinite(found.standard_error_px)
    if kind == "alike" and found.converged:
        np.testing.assert_allclose(found.matrix, np.eye(3), atol=1e-3)
    if min(height, width) < 24 or kind in ("flat", "black", "huge", "tiny"):  # nothing to see
        assert not found.converged


@FEWER
@given(SEEDS, st.integers(1, 9), st.one_of(SMALL, LARGE), LARGE, st.sampled_from(KINDS), st.booleans())
@example(0, 1, 24, 24, "odd", False)
def test_a_take_is_registered_whatever_it_shows(seed, count, height, width, kind, given_reference):
    frames = draw_take(seed, kind, count, height, width, 3)
    reference = frames[0] if given_reference else None
    with quiet():
        found = solve_take(
            lambda k: frames[k], count, reference, source_frames=range(1, count + 1), factor=2, noise=NOISE
        )
    check_registration(found, count)
    if kind in ("alike", "flat", "black", "huge", "tiny"):
        assert all(stretch.identity for stretch in found.stretches)


def mark_take(frames, bare):
    """Mattes of a take of small pictures, as a job would make them."""
    learned = learn_hero(frames, [bare] * len(frames), NOISE)
    finder = MatteFinder(bare, NOISE, learned)
    for k in range(len(frames)):
        yield k, finder.mark(frames, k)


@FEWER
@given(SEEDS, st.integers(1, 4), st.one_of(st.integers(1, 12), LARGE), LARGE, st.sampled_from(KINDS))
def test_a_matte_is_between_0_and_1_whatever_the_hero_shows(seed, count, height, width, kind):
    frames = draw_take(seed, kind, count, height, width, 3, huge=65504)  # what the half floats hold that are kept
    bare = draw_take(seed + 1, "plain", 1, height, width, 3)[0] if kind != "alike" else frames[0]
    with quiet():
        for k, mark in mark_take(frames, bare):
            assert mark.figure.shape == (height, width) and mark.figure.dtype == bool
            assert not (mark.sure & mark.band).any() and not (mark.sure & ~mark.figure).any()
            assert np.isfinite(mark.doubt).all() and mark.doubt.min() >= 0 and mark.doubt.max() <= 1
            assert np.isfinite(mark.gain).all() and (mark.gain > 0).all()
            alpha = finish_frame(frames, k, bare, mark=mark, noise=NOISE).alpha
            assert alpha.shape == (height, width) and np.isfinite(alpha).all()
            assert alpha.min() >= 0 and alpha.max() <= 1
            if kind == "alike":  # the set itself, and nobody in it
                assert not alpha.any()


@FEW
@given(SEEDS, st.integers(1, 12), st.integers(1, 12), st.sampled_from([1.0, 0.5]))
def test_a_stills_light_is_what_it_adds_pixel_by_pixel(seed, height, width, share):
    picture, ambient = draw_picture(seed, height, width, 3), draw_picture(seed + 1, height, width, 3)
    out = np.empty_like(picture)
    with quiet():
        take_apart(picture, ambient, np.float32([share] * 3), np.float32([1, 1, 2 - share]), out)
        # REFERENCE  the formula in numpy. TOLERANCE  one rounding of a product that is fused.
        expected = (picture * np.float32(share) - ambient) * np.float32([1, 1, 2 - share])
        np.testing.assert_allclose(out, expected, rtol=1e-6, atol=1e-6 * np.abs(np.nan_to_num(ambient, posinf=0)).max())


@pytest.mark.parametrize("size", [(0, 0), (0, 5), (1, 1)])
def test_a_still_of_next_to_nothing(size):
    out = np.empty((*size, 3), np.float32)
    one = np.ones(3, np.float32)
    take_apart(np.ones((*size, 3), np.float32), np.zeros((*size, 3), np.float32), one, one, out)
    assert (out == 1).all()
    assert combine_validity(np.ones(size, np.float32), np.ones(size, bool)).shape == size


PLACES = st.integers(1, 12).flatmap(
    lambda count: st.lists(
        st.tuples(*[st.one_of(st.floats(-1e6, 1e6), st.sampled_from([0.0, 1e-300, 1e12, -1e12]))] * 2),
        min_size=count, max_size=count,
    )
)  # fmt: skip


@FEW
@given(PLACES, PLACES)
@example([(0.0, 0.0)] * 7, [(0.0, 0.0)])
@example([(0.0, 0.0), (0.0, 1e-300)], [(0.0, 1.0)])
def test_a_light_is_always_somewhere_between_its_stills(places, path):
    plan = plan_travel(np.float64(places), np.float64(path))
    assert plan.weights.shape == (len(path), len(places))
    assert np.isfinite(plan.weights).all() and (plan.weights >= 0).all()
    np.testing.assert_allclose(plan.weights.sum(1), 1, atol=1e-9)
    assert np.isfinite(plan.clamped).all() and (plan.clamped >= 0).all()
    picked = spread_stills(np.float64(places), MOST_STILLS)
    assert len(set(picked)) == len(picked) <= min(MOST_STILLS, len(places))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("where", ["places", "path"])
def test_a_place_that_is_no_number_is_refused(bad, where):
    sound, broken = np.ones((3, 2)), np.ones((3, 2))
    broken[1, 0] = bad
    with pytest.raises(SettingError, match="no number"):
        plan_travel(*((broken, sound) if where == "places" else (sound, broken)))
    with pytest.raises(SettingError, match="do not fit"):
        plan_travel(np.zeros((0, 2)), sound)


@FEW
@given(SEEDS, st.tuples(st.integers(1, 12), st.integers(1, 12)), st.data(), st.booleans(), st.integers(0, 2))
def test_a_still_made_small_is_the_mean_of_what_lies_beneath(seed, size, data, believe, guides):
    proxy = tuple(data.draw(st.integers(1, side)) for side in size)
    light, guide = draw_picture(seed, *size, 3), draw_picture(seed + 1, *size, guides)
    valid = np.random.default_rng(seed).random(size).astype(np.float32)
    reducer = StillReducer(size, proxy, guides, believe=believe)
    cut = data.draw(st.integers(0, size[0]))
    with quiet():
        reducer.add(0, light[:cut], valid[:cut], guide[:cut])
        reducer.add(cut, light[cut:], valid[cut:], guide[cut:])
    found = reducer.finish()
    # REFERENCE  areas multiplied out in float64. TOLERANCE  sums of float32.
    across, down = (share_of_area(full, small) for full, small in zip(size, proxy, strict=True))
    planes = np.concatenate([light, valid[..., None], guide], axis=2).astype(np.float64)
    with quiet():
        known = np.isfinite(sum(np.moveaxis(np.concatenate([light, guide], axis=2), 2, 0)))
    weighed = np.where(known[..., None], planes, 0)  # what is no number, or too large to be summed, is not there
    weighed[..., np.arange(4 + guides) != 3] *= valid[..., None] if believe else 1
    expected = np.einsum("yi,xj,ijc->yxc", across, down, weighed)
    room = np.einsum("yi,xj,ijc->yxc", across, down, np.abs(weighed))
    assert found.shape == (*proxy, 4 + guides)
    assert (np.abs(found - expected) <= 1e-5 * room + 1e-6)[room < 1e38].all()


@pytest.mark.parametrize("full, small", [(9, 3), (10, 1), (1920, 640), (7, 7)])
def test_a_place_that_lies_within_another_has_no_share_of_the_next(full, small):
    _, _, rest = spread_over(full, small)
    assert not rest.any()


def share_of_area(full, small):
    """How much of each of ``small`` places each of ``full`` ones covers, the slow obvious way; rows sum to 1."""
    scale = full / small
    found = np.zeros((small, full))
    for y in range(small):
        for i in range(full):
            found[y, i] = max(0.0, min(i + 1, (y + 1) * scale) - max(i, y * scale)) / scale
    place, own, rest = spread_over(full, small)
    assert ((place >= 0) & (place < small)).all() and (own >= 0).all() and (rest >= 0).all()
    return found
