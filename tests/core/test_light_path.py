"""Where a light that travels is."""

import numpy as np
import pytest

from lightstack.core.lamp.light_path import PATH_SHAPES, add_nearness, walk_path

AT = np.array([10.0, 20.0, 50.0])
PLACES = np.array([[0.0, 5.0], [100.0, 5.0], [40.0, 90.0]])


@pytest.mark.parametrize("shape", PATH_SHAPES)
def test_the_path_goes_through_its_points_and_stays_at_its_ends(shape):
    frames = np.array([0.0, 10.0, 20.0, 50.0, 70.0])
    np.testing.assert_allclose(walk_path(AT, PLACES, frames, shape=shape), PLACES[[0, 0, 1, 2, 2]])


def test_a_straight_path_is_numpys():
    # REFERENCE  numpy.interp, column by column.
    frames = np.linspace(0, 60, 41)
    expected = np.stack([np.interp(frames, AT, column) for column in PLACES.T], axis=1)
    np.testing.assert_allclose(walk_path(AT, PLACES, frames, shape="linear"), expected)


def test_a_smooth_path_never_swings_past_a_point():
    frames = np.linspace(10, 50, 200)
    path = walk_path(AT, PLACES, frames, shape="smooth")
    assert path[:, 0].max() <= 100 and path[:, 1].min() >= 5
    assert np.abs(np.diff(path, n=2, axis=0)).max() < 0.6  # no corner: one at full pace would turn by 2.4 at once


def test_a_held_path_jumps_at_its_points():
    np.testing.assert_allclose(walk_path(AT, PLACES, np.array([19.9, 20.0]), shape="hold"), PLACES[[0, 1]])
    np.testing.assert_allclose(walk_path(AT[:1], PLACES[:1], AT, shape="smooth"), PLACES[[0, 0, 0]])


def test_nearness_is_that_of_the_lamps_places():
    visited = np.array([[0.0, 0.0, 0.2], [100.0, 0.0, 0.8]])
    found = add_nearness(np.array([[0.0, 0.0], [50.0, 0.0], [100.0, 0.0]]), visited)
    np.testing.assert_allclose(found[:, 2], [0.2, 0.5, 0.8], atol=0.01)
