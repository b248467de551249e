"""Stills brought to screen size."""

import cv2
import numpy as np
import pytest

from lightstack.core.page.reduce import StillReducer


def reduce(light, valid, guide, proxy, *, believe=True, rows=7):
    reducer = StillReducer(valid.shape, proxy, guide.shape[2], believe=believe)
    for first in range(0, len(light), rows):
        band = slice(first, first + rows)
        reducer.add(first, light[band], valid[band], guide[band])
    return reducer.finish()


@pytest.mark.parametrize("proxy", [(20, 30), (10, 15), (13, 22), (7, 30), (1, 1)])
def test_it_is_the_mean_of_areas(proxy):
    rng = np.random.default_rng(1)
    light, guide = rng.random((20, 30, 3), np.float32), rng.random((20, 30, 1), np.float32)
    valid = rng.random((20, 30), np.float32)
    made = reduce(light, valid, guide, proxy)
    # REFERENCE  OpenCV 4/5, resize with INTER_AREA ("resampling using pixel area relation").
    # TOLERANCE  float32 sums of up to 600 pixels; OpenCV rounds the shares of a pixel to about 1e-3 of one.
    whole = np.concatenate([light * valid[..., None], valid[..., None], guide * valid[..., None]], axis=2)
    planes = np.moveaxis(whole, -1, 0)
    wanted = np.stack([cv2.resize(one, proxy[::-1], interpolation=cv2.INTER_AREA) for one in planes], axis=-1)
    np.testing.assert_allclose(made, wanted, atol=2e-3)
    np.testing.assert_allclose(made.mean(axis=(0, 1)), whole.mean(axis=(0, 1)), rtol=1e-5)  # no light is lost


def test_what_is_no_number_counts_for_nothing():
    light, valid, guide = np.ones((4, 4, 3), np.float32), np.ones((4, 4), np.float32), np.ones((4, 4, 1), np.float32)
    light[0, 0, 1] = np.nan
    guide[3, 3] = np.inf
    np.testing.assert_allclose(reduce(light, valid, guide, (1, 1)), np.full((1, 1, 5), 14 / 16), rtol=1e-6)


def test_filled_stills_are_taken_whole():
    light, valid = np.ones((4, 4, 3), np.float32), np.zeros((4, 4), np.float32)
    made = reduce(light, valid, np.zeros((4, 4, 0), np.float32), (2, 2), believe=False)
    np.testing.assert_allclose(made, np.broadcast_to([1, 1, 1, 0], (2, 2, 4)))
