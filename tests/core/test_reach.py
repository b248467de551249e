"""Where the light arrived."""

import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.guide import plan_guide
from lightstack.core.reach import find_holes, find_reached, gather_levels, name_place
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
    assert [round(h.area_share * reached.size) for h in holes] == [
        a for a in areas if a >= 0.002 * reached.size
    ]


def test_places_have_plain_names():
    assert name_place(0.1, 0.1) == "top left"
    assert name_place(0.5, 0.5) == "centre"
    assert name_place(0.5, 1.0) == "bottom"
    assert name_place(0.99, 0.5) == "right"


def test_holes_found_under_noise():
    """A third of the frames light a wall but for two corners; the rest of the light is noise."""
    rng = np.random.default_rng(6)
    h, w = 120, 200
    y, x = np.mgrid[:h, :w]
    truth = ~(((y - 100) ** 2 + (x - 180) ** 2 < 40**2) | ((y < 30) & (x < 35)))
    lit = 6 * SIGMA * truth
    ambient = np.full((h, w, 3), 0.01, np.float32)
    noise = NoiseModel(np.zeros(3), np.full(3, SIGMA**2))

    def stills():
        for k in range(30):
            shine = lit * (k % 3 == 0) * np.exp(-(((x - w * k / 30) / 80) ** 2))
            light = shine[..., None] + SIGMA * rng.standard_normal((h, w, 3))
            yield light.astype(np.float32), np.ones((h, w), np.float32)

    level, valid = gather_levels(stills(), ambient, plan_guide(noise, width=w))
    found, true = ~find_reached(level, valid=valid), ~truth
    assert (found & true).sum() / (found | true).sum() >= 0.8
