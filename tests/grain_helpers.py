"""Grain put into made pictures, for the tests that look for it again."""

import numpy as np
from scipy.ndimage import convolve1d

from lightstack.core.grain.measure import BurstTally, cut_strips
from lightstack.core.grain.profile import Footage, make_profile

A, B = np.array([1e-4, 2e-4, 4e-4]), np.array([4e-7, 1e-6, 4e-6])
OFFSETS = (0, 1, 2, 3, 8)


def make_ramp(size=(128, 192), *, top=0.6):
    """A textured ramp from black on, (H, W, 3)."""
    y, x = np.mgrid[: size[0], : size[1]]
    ramp = top * (x / size[1]) ** 2 * (0.7 + 0.3 * np.sin(0.45 * y))
    return ramp[..., None] * np.array([1.0, 0.8, 0.5])


def film(level, rng, *, a=A, b=B, field=None):
    """One frame with Poisson-Gaussian noise; ``field``: noise of unit variance in place of white one."""
    white = rng.standard_normal(level.shape, np.float32) if field is None else field(rng, level.shape)
    sigma = np.sqrt(a * np.maximum(level, 0) + b).astype(np.float32)
    return np.asarray(level + sigma * white, np.float32)


def soft_field(rng, shape):
    """Unit noise, soft across and down, alike in the channels by 0.36 and 0.6: by scipy, not by the package."""
    white = rng.standard_normal(shape)
    mixed = np.stack([white[..., 0], 0.6 * white[..., 0] + 0.8 * white[..., 1], white @ [0.36, 0.48, 0.8]], axis=-1)
    for axis, taps in ((1, [0.5, 1.0, 0.5]), (0, [0.25, 1.0, 0.25])):
        mixed = convolve1d(mixed, np.array(taps) / np.linalg.norm(taps), axis=axis, mode="wrap")
    return mixed


def gather(frames_of, *, bursts=3, clipped=None, offsets=OFFSETS):
    """A tally of bursts; ``frames_of(burst)`` gives the pictures."""
    tally = BurstTally()
    for burst in range(bursts):
        frames = frames_of(burst)
        cut = np.zeros(frames[0].shape[:2], bool) if clipped is None else clipped
        tally.add([cut_strips(one) for one in frames], offsets, cut_strips(cut))
    return tally


def profile_of(level, *, seed=0, bursts=3, field=None, a=A, b=B, **footage):
    """The profile of filmed frames of a still picture."""
    rng = np.random.default_rng(seed)
    tally = gather(lambda _: [film(level, rng, a=a, b=b, field=field) for _ in OFFSETS], bursts=bursts)
    return make_profile(tally, Footage("take", level.shape[:2], "linear", "bt709", **footage))
