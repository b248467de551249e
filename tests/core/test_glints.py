"""Each glossy patch from a single frame."""

import numpy as np

from lightstack.core.sweep.glints import pick_glints


def beads(n=5, h=30, w=60):
    """A glint that runs along a bottle, and one that stands on a knob."""
    glints, light = np.zeros((n, h, w), bool), np.zeros((n, h, w), np.float32)
    for k in range(n):
        glints[k, 10:13, 5 + 5 * k : 8 + 5 * k] = True
        light[k, 10:13, 5 + 5 * k : 8 + 5 * k] = 1 + (k == 3)
        if k in (1, 2):
            glints[k, 25:27, 50:52] = True
            light[k, 25:27, 50:52] = 3 - k
    return glints, light


def test_a_string_of_beads_becomes_one():
    glints, light = beads()
    left_out = pick_glints(glints, light)
    kept = glints & ~left_out
    assert [bool(kept[k, :20].any()) for k in range(5)] == [False, False, False, True, False]
    assert [bool(kept[k, 20:].any()) for k in range(5)] == [False, True, False, False, False]
    assert not (left_out & ~glints).any()


def test_patches_far_apart_keep_a_glint_each():
    glints, light = beads()
    assert (glints & ~pick_glints(glints, light, join_px=0))[:, :20].any(axis=(1, 2)).sum() == 5


def test_ties_go_to_the_lowest_index_and_nothing_is_nothing():
    glints = np.zeros((3, 8, 8), bool)
    assert not pick_glints(glints, np.ones((3, 8, 8))).any()
    glints[:, 4, 4] = True
    kept = glints & ~pick_glints(glints, np.ones((3, 8, 8)))
    assert kept[:, 4, 4].tolist() == [True, False, False]
