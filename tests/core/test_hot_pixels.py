"""Hot pixels found and repaired."""

import numpy as np
import pytest
from scipy import ndimage

from lightstack.core.sweep.hot_pixels import HotTally, find_hot_pixels, repair_pixels
from lightstack.records import NoiseModel

SIGMA = 0.002
NOISE = NoiseModel(np.full(3, 2e-4), np.full(3, SIGMA**2))


def room(rng, h=60, w=80):
    """A textured wall as a lens draws it: nothing smaller than its blur."""
    wall = ndimage.gaussian_filter(rng.uniform(0, 1, (h, w, 3)), (0.9, 0.9, 0)) * 0.1
    wall[20:24, 30:34] += 0.5  # a lit bulb
    return ndimage.gaussian_filter(wall, (0.5, 0.5, 0)).astype(np.float32)


def planted(rng, shape, count=12):
    hot = np.zeros(shape, bool)
    rows, columns = (
        rng.choice(np.arange(6, shape[0] - 6, 6), count),
        rng.choice(np.arange(6, shape[1] - 6, 6), count),
    )
    hot[rows, columns] = True
    hot[16:28, 26:38] = False
    return hot


@pytest.mark.parametrize("spread", [False, True])
def test_hot_pixels_of_the_ambient_are_found_and_nothing_else(spread):
    rng = np.random.default_rng(1)
    wall, hot = room(rng), planted(rng, (60, 80))
    glow = hot.astype(np.float32) * 0.3
    if spread:  # as demosaicing leaves them
        glow = ndimage.convolve(glow, np.outer([0.5, 1, 0.5], [0.5, 1, 0.5]), mode="constant")
    ambient = (wall + glow[..., None] + SIGMA / 3 * rng.standard_normal(wall.shape)).astype(np.float32)
    np.testing.assert_array_equal(find_hot_pixels(ambient, noise=NOISE), hot)
    repaired = repair_pixels(ambient, hot)
    assert np.abs(repaired - wall).max() < 0.1
    untouched = ~ndimage.binary_dilation(hot, np.ones((3, 3)))
    np.testing.assert_array_equal(repaired[untouched], ambient[untouched])


def test_a_picture_without_any_is_returned_as_it_is():
    wall = room(np.random.default_rng(2))
    hot = find_hot_pixels(wall, noise=NOISE)
    assert not hot.any()
    assert repair_pixels(wall, hot) is wall


def test_pixels_that_stand_out_in_every_still():
    rng = np.random.default_rng(3)
    wall, hot = room(rng), planted(rng, (60, 80))
    tally = HotTally((60, 80))
    speck = np.zeros((60, 80), bool)
    speck[45, 45] = True  # a white speck on the wall: as bright as the lamp makes it
    for k in range(8):
        level = [0.02, 1.0, 0.05, 0.5, 0.8, 0.01, 0.3, 0.1][k]
        light = wall * level + 0.05 * hot[..., None] + 0.6 * level * speck[..., None]
        light = light + SIGMA * rng.standard_normal(light.shape)
        tally.add(light.astype(np.float32), wall, noise=NOISE)
    np.testing.assert_array_equal(tally.result(), hot)


def test_covered_stills_do_not_count():
    rng = np.random.default_rng(4)
    wall = room(rng)
    tally = HotTally((60, 80))
    for k in range(6):
        light = wall * 0.1
        light[30, 10] += 0.05
        valid = np.ones((60, 80), np.float32)
        if k < 4:
            valid[:, :20] = 0
        tally.add(light.astype(np.float32), wall, noise=NOISE, valid=valid)
    assert not tally.result().any()  # two stills are too few to tell


def test_corners_and_tiny_pictures():
    picture = np.zeros((7, 7, 3), np.float32)
    picture[0, 0] = 1
    hot = find_hot_pixels(picture, noise=NOISE)
    assert hot[0, 0]
    assert hot.sum() == 1
    assert not repair_pixels(picture, hot).any()
    one = np.ones((1, 1, 3), np.float32)
    assert repair_pixels(one, np.ones((1, 1), bool)).shape == (1, 1, 3)
    assert not find_hot_pixels(one, noise=NOISE).any()
