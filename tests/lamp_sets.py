"""A textured wall under two lamps, as a camera of any rendering gives it."""

import cv2
import numpy as np

from lightstack.core.colour.response import LampSet

A, B = 4e-4, 4e-6  # variance = A * light + B


def _wall(seed, size):
    rng = np.random.default_rng(seed)
    texture = cv2.GaussianBlur(rng.uniform(0, 1, (*size, 3)).astype(np.float32), (0, 0), 1.5)
    texture = (texture - texture.min()) / np.ptp(texture)
    y, x = np.mgrid[0 : size[0], 0 : size[1]] / np.reshape(size, (2, 1, 1))
    return 0.1 + 1.2 * texture, x, y


def _film(light, rendering, rng, averaged):
    frames = [rendering(light + rng.standard_normal(light.shape) * np.sqrt(A * light + B)) for _ in range(averaged)]
    return np.mean(frames, axis=0).astype(np.float32)


def film_lamps(seed, rendering, *, size=(120, 200), averaged=4, ambient=0.02, level=0.45):
    """The wall with no lamp, each, and both. ``rendering``: true light -> decoded light."""
    wall, x, y = _wall(seed, size)
    colour = np.array([1.0, 0.9, 0.8])

    def lamp(cx, cy):
        return (level / (1 + 6 * ((x - cx) ** 2 + (y - cy) ** 2)))[..., None] * colour * wall

    rng = np.random.default_rng([seed, 2])
    bare, one, two = ambient * wall, lamp(0.2, 0.3), lamp(0.8, 0.6)
    lights = (bare, bare + one, bare + two, bare + one + two)
    return LampSet(*(_film(light, rendering, rng, averaged) for light in lights), averaged=averaged)


def film_stops(seed, rendering, *, stops, size=(120, 200), averaged=4):
    """The wall under one lamp at known stops, and without it."""
    wall, x, _ = _wall(seed, size)
    lamp = (0.2 + 0.7 * x)[..., None] * wall * 0.7
    rng = np.random.default_rng([seed, 3])
    pictures = [(_film(0.01 * wall + 2.0**stop * lamp, rendering, rng, averaged), stop) for stop in stops]
    return pictures, _film(0.01 * wall, rendering, rng, averaged)
