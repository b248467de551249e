"""Regions of masks, against constructions and a general-purpose library."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from lightstack.core.regions import (
    close_gaps,
    disc,
    drop_known,
    fill_holes,
    find_glints,
    grow_within,
    join_border,
    join_lamp,
    keep_large,
    keep_steep,
)


def blank(h=60, w=80):
    return np.zeros((h, w), np.uint8)


def round_spot(mask, x, y, radius):
    yy, xx = np.mgrid[0 : mask.shape[0], 0 : mask.shape[1]]
    mask[(xx - x) ** 2 + (yy - y) ** 2 <= radius**2] = 1
    return mask


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 30))
def test_keep_large_agrees_with_scipy(seed, area):
    # REFERENCE  scipy.ndimage.label and sum_labels, 8-connected.
    mask = (np.random.default_rng(seed).random((30, 40)) > 0.6).astype(np.uint8)
    labels, count = ndimage.label(mask, np.ones((3, 3)))
    sizes = ndimage.sum_labels(mask, labels, np.arange(1, count + 1))
    np.testing.assert_array_equal(keep_large(mask, area), np.isin(labels, 1 + np.flatnonzero(sizes >= area)))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_filling_all_holes_agrees_with_scipy_inside_the_picture(seed):
    # REFERENCE  scipy.ndimage.binary_fill_holes. A padded frame keeps the outside from being a hole.
    mask = np.pad((np.random.default_rng(seed).random((20, 30)) > 0.4).astype(np.uint8), 1)
    limit = 300  # larger than any hole, smaller than what is outside is not guaranteed: compare where it is
    outside = (ndimage.label(1 - mask)[0] == ndimage.label(1 - mask)[0][0, 0]).sum()
    if outside > limit:
        np.testing.assert_array_equal(fill_holes(mask, limit) > 0, ndimage.binary_fill_holes(mask))


def test_gaps_close_up_to_their_width_and_at_the_edge_of_the_picture():
    mask = blank()
    mask[:, 10:20] = mask[:, 24:34] = mask[:, 60:70] = 1
    closed = close_gaps(mask, 3)
    assert closed[:, 20:24].all() and not closed[:, 34:60].any()
    np.testing.assert_array_equal(close_gaps(closed, 3), closed)


def test_growth_is_bounded_by_steps_and_by_what_is_allowed():
    seed, allowed = blank(), blank()
    seed[30, 10], allowed[30, 5:70] = 1, 1
    grown = grow_within(seed, allowed, 15)
    assert grown[30].nonzero()[0].tolist() == list(range(5, 26))
    assert grown.sum() == 21


def test_steep_parts_stay_and_pools_of_light_go():
    yy, xx = np.mgrid[0:60, 0:80].astype(np.float32)
    pool = np.exp(-((xx - 20) ** 2 + (yy - 30) ** 2) / 300)
    level = 0.05 + pool
    level[20:40, 55:70] = 0.8
    mask = (level > 0.5).astype(np.uint8)
    kept = keep_steep(mask, level.astype(np.float32), ignore=np.zeros(mask.shape, bool), ratio=2.0)
    assert kept[:, 50:].sum() == 300 and kept[:, :50].sum() == 0


def test_known_parts_are_dropped_by_majority():
    mask, known = blank(), blank()
    mask[5:15, 5:15] = mask[30:40, 30:40] = 1
    known[5:15, 5:11] = known[30:40, 30:33] = 1
    kept = drop_known(mask, known)
    assert kept[30:40, 30:40].all() and kept.sum() == 100


def test_the_lamp_is_joined_to_the_body_near_it_and_not_to_one_far_off():
    cores = round_spot(blank(), 30, 20, 3)
    body = blank()
    body[10:58, 46:60] = 1
    bridge = join_lamp(cores, body, reach=20, area=100)
    assert bridge[20, 33:46].all()
    assert not join_lamp(cores, body, reach=10, area=100).any()
    assert not join_lamp(cores, body, reach=20, area=1000).any()


def test_parts_that_the_border_cuts_are_joined_to_the_body_beside_them():
    body, parts = np.zeros((2, 80, 120), np.uint8)
    body[40:50, 40:80] = 1
    parts[40:80, 85:118] = 1  # a lit body, short of the border by what registration left
    parts[5:30, 95:120] = 1  # a head over it, farther from the arm
    parts[60:79, 2:30] = 1  # cut as well, and far away
    parts[30:38, 50:70] = 1  # beside the arm, and whole in the picture
    parts[78:80, 60:70] = 1  # too small
    joined = join_border(body, parts, reach=12, area=60)
    assert joined[60, 100] and joined[10, 110]
    assert joined.sum() == 40 * 33 + 25 * 25


def test_small_cores_apart_from_a_round_large_one_are_glints():
    lamp = round_spot(blank(), 20, 30, 6)
    both = lamp.copy()
    round_spot(both, 70, 10, 2)
    glints = find_glints(both)
    assert glints[10, 70] == 1 and not (glints & lamp).any()
    assert not find_glints(lamp).any()
    near = round_spot(lamp.copy(), 30, 30, 2)
    assert not find_glints(near).any()
    streak = blank()
    streak[20:23, 5:60] = 1  # not round: in doubt everything is the lamp
    assert not find_glints(round_spot(streak, 70, 50, 2)).any()


def test_disc_is_symmetric_and_empty_masks_stay_empty():
    for radius in range(1, 9):
        np.testing.assert_array_equal(disc(radius), disc(radius)[::-1, ::-1])
    for result in (keep_large(blank(), 3), find_glints(blank()), join_lamp(blank(), blank(), reach=9, area=1)):
        assert not result.any()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31))
def test_joining_at_the_border_is_what_two_rounds_give(seed):
    rng = np.random.default_rng(seed)
    body = (ndimage.gaussian_filter(rng.normal(size=(60, 80)), 3) > 0.13).astype(np.uint8)
    parts = (ndimage.gaussian_filter(rng.normal(size=(60, 80)), 3) > 0.1).astype(np.uint8)
    found = join_border(body, parts, reach=4, area=30)
    labels, count = ndimage.label(parts, np.ones((3, 3)))
    joined = np.zeros_like(body)
    for _ in range(2):
        near = ndimage.binary_dilation(body | joined, disc(4))
        for i in range(1, count + 1):
            ys, xs = np.nonzero(labels == i)
            ends = min(ys.min(), xs.min(), 59 - ys.max(), 79 - xs.max())
            if ends <= 8 and len(ys) >= 30 and near[labels == i].any():
                joined[labels == i] = 1
    np.testing.assert_array_equal(found, joined)


def test_a_structuring_element_is_shared_and_cannot_be_written_to():
    assert disc(3) is disc(3)
    with pytest.raises(ValueError, match="read-only"):
        disc(3)[0, 0] = 1
