"""Light below zero is told apart from noise."""

import numpy as np

from lightstack.core.colour.gamut import share_beyond
from lightstack.core.colour.light import convert_matrix
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 1e-4), np.full(3, 1e-6))


def test_noise_about_black_is_not_beyond():
    rng = np.random.default_rng(1)
    picture = NOISE.sigma(np.zeros((60, 80, 3))) * rng.standard_normal((60, 80, 3))
    assert share_beyond(picture, noise=NOISE) < 0.01


def test_a_colour_of_wider_primaries_is():
    # REFERENCE  a primary of ITU-R BT.2020 lies outside the triangle of BT.709: a channel is negative.
    picture = np.full((10, 20, 3), 0.2)
    picture[:, :5] = convert_matrix("bt2020", "bt709") @ np.array([0.0, 0.5, 0.0])
    assert share_beyond(picture, noise=NOISE) == 0.25
    assert share_beyond(np.abs(picture), noise=NOISE) == 0
