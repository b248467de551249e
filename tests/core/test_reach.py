"""Where the light arrived."""

import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.sweep.reach import find_holes, find_reached, gather_levels, name_place
from lightstack.records import NoiseModel

SIGMA = 0.002


def test_reached_is_three_sigma():
    best = np.zeros((20, 30), np.float32)
    best[:, 10:], best[:, 20:] = 2.99, 3.0
    reached = find_reached(best)
    assert not reached[:, :19].any()
    assert reached[:, 21:].all()


def test_the_strongest_channel_counts_and_bad_numbers_do_not():
    best = np.zeros((9, 9, 3), np.float32)
    best[..., 2] = 5
    best[:, :5] = np.nan
    reached = find_reached(best)
    assert reached[:, 6:].all()
    assert not reached[:, :4].any()


def test_where_nothing_was_valid_nothing_arrived():
    valid = np.ones((9, 9))
    valid[:, :4] = 0
    assert not find_reached(np.full((9, 9), 50.0), valid=valid)[:, :3].any()


def test_lone_pixels_follow_their_surroundings():
    best = np.full((15, 15), 9.0)
    best[7, 7] = 0
    assert find_reached(best).all()
    assert not find_reached(9 - best).any()


def test_holes_are_numbered_from_the_largest_with_their_place():
    reached = np.ones((90, 160), bool)
    reached[2:12, 3:13] = False  # 100 px, top left
    reached[60:85, 120:150] = False  # 750 px, bottom right
    reached[40, 80] = False  # too small
    holes = find_holes(reached, min_share=0.002)
    assert [(h.number, h.where) for h in holes] == [(1, "bottom right"), (2, "top left")]
    assert holes[0].area_share == pytest.approx(750 / 14400)
    assert (120 < holes[0].x < 150, 60 < holes[0].y < 85) == (True, True)
    assert find_holes(np.ones((9, 9), bool)) == ()


def test_a_mark_lies_inside_even_a_bent_hole():
    reached = np.ones((60, 60), bool)
    reached[5:50, 5:12] = False
    reached[43:50, 5:55] = False
    (hole,) = find_holes(reached)
    assert not reached[int(hole.y), int(hole.x)]


def test_holes_agree_with_another_labelling():
    # REFERENCE  scipy.ndimage.label, 4-connected, as slow twin.
    # TOLERANCE  none.
    rng = np.random.default_rng(5)
    reached = ndimage.gaussian_filter(rng.standard_normal((120, 160)), 6) > -0.02
    labels, count = ndimage.label(~reached)
    areas = sorted((int((labels == k).sum()) for k in range(1, count + 1)), reverse=True)
    holes = find_holes(reached, min_share=0.002)
    assert [round(h.area_share * reached.size) for h in holes] == [a for a in areas if a >= 0.002 * reached.size]


def test_places_have_plain_names():
    assert name_place(0.1, 0.1) == "top left"
    assert name_place(0.5, 0.5) == "centre"
    assert name_place(0.5, 1.0) == "bottom"
    assert name_place(0.99, 0.5) == "right"


def test_holes_found_under_noise():
    """In a third of the frames a light passes over a wall but for two corners; the rest is noise."""
    rng = np.random.default_rng(6)
    h, w = 120, 200
    y, x = np.mgrid[:h, :w]
    truth = ~(((y - 100) ** 2 + (x - 180) ** 2 < 40**2) | ((y < 30) & (x < 35)))
    lit = 6 * SIGMA * truth
    ambient = np.full((h, w, 3), 0.01, np.float32)
    noise = NoiseModel(np.zeros(3), np.full(3, SIGMA**2))

    def stills():
        for k in range(30):
            shine = lit * (10 <= k < 20) * np.exp(-(((x - w * (k - 10) / 10) / 80) ** 2))
            light = shine[..., None] + SIGMA * rng.standard_normal((h, w, 3))
            yield light.astype(np.float32), np.ones((h, w), np.float32)

    level, valid = gather_levels(stills(), ambient, noise)
    found, true = ~find_reached(level, valid=valid), ~truth
    assert (found & true).sum() / (found | true).sum() >= 0.8


def test_light_is_averaged_over_five_frames_and_never_over_pixels():
    """One frame's light counts by its binomial weight, frames that are not valid do not; slow twin by hand."""
    rng = np.random.default_rng(8)
    light = rng.uniform(0, 9, (9, 4, 5, 3)).astype(np.float32) * SIGMA
    valid = rng.random((9, 4, 5)) > 0.3
    light[4, 2, 2], valid[4, 2, 2] = np.nan, True
    noise = NoiseModel(np.zeros(3), np.full(3, SIGMA**2))
    level, most = gather_levels(zip(light, valid, strict=True), np.zeros((4, 5, 3), np.float32), noise)
    usable = valid & np.isfinite(light).all(-1)
    for y, x in np.ndindex(4, 5):
        means = [-np.inf]
        for k in np.flatnonzero(usable[:, y, x]):
            near = [j for j in range(max(k - 2, 0), min(k + 3, 9)) if usable[j, y, x]]
            weights = np.array([(1, 4, 6, 4, 1)[j - k + 2] for j in near])
            means.append((weights[:, None] * light[near, y, x]).sum(0) / weights.sum() / SIGMA)
        np.testing.assert_allclose(level[y, x], np.max(means[1:], axis=0) if len(means) > 1 else -np.inf, rtol=1e-4)
    np.testing.assert_array_equal(most, usable.any(0))


def test_a_small_dark_place_keeps_its_rim():
    """A hole of 4 x 5 pixels amid bright light is found at its own size."""
    rng = np.random.default_rng(9)
    lit = np.full((40, 60, 1), 20 * SIGMA)
    lit[10:14, 20:25] = 1.0 * SIGMA
    noise = NoiseModel(np.zeros(3), np.full(3, SIGMA**2))
    frames = ((lit + SIGMA * rng.standard_normal((40, 60, 3)), np.ones((40, 60))) for _ in range(20))
    level, _ = gather_levels(frames, np.zeros((40, 60, 3), np.float32), noise)
    found, true = ~find_reached(level), lit[..., 0] < 3 * SIGMA
    assert (found & true).sum() / (found | true).sum() >= 0.8
