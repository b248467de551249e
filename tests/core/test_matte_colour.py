"""The figure's own colour, with the set taken out."""

import cv2
import numpy as np

from lightstack.core.matte.colour import take_set_out

SIZE = (60, 80)


def make():
    """A red disc with a soft edge over a green wall: frame, matte, wall, disc's colour."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    alpha = cv2.GaussianBlur(((x - 40) ** 2 + (y - 30) ** 2 < 300).astype(np.float32), (0, 0), 2)
    red, green = np.float32([0.5, 0.1, 0.05]), np.float32([0.05, 0.4, 0.1])
    wall = np.broadcast_to(green, (*SIZE, 3)).copy()
    return alpha[..., None] * red + (1 - alpha[..., None]) * wall, alpha, wall, red


def test_a_known_mixture_comes_apart():
    # REFERENCE  Porter & Duff 1984: the mixture was made by "over", so colour times matte is known exactly.
    frame, alpha, wall, red = make()
    figure = take_set_out(frame, alpha, wall)
    np.testing.assert_allclose(figure, alpha[..., None] * red, atol=2e-3)
    assert not figure[alpha == 0].any()


def test_the_sets_noise_does_not_travel_with_thin_mixtures():
    frame, alpha, wall, _ = make()
    noise = 0.05 * np.random.default_rng(4).standard_normal(frame.shape).astype(np.float32)
    figure = take_set_out(frame + noise, alpha, wall)
    thin = (alpha > 0) & (alpha < 0.15)
    assert figure[thin].std() < 0.6 * (frame + noise - (1 - alpha[..., None]) * wall)[thin].std()


def test_without_a_set_it_is_the_frame_times_the_matte_inside_and_nothing_outside():
    frame, alpha, _, _ = make()
    figure = take_set_out(frame, alpha, None)
    np.testing.assert_allclose(figure[alpha >= 0.98], (frame * alpha[..., None])[alpha >= 0.98], rtol=1e-6)
    assert not take_set_out(frame, np.zeros(SIZE, np.float32), None).any()
