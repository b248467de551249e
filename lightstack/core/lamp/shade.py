"""The lamp's light on a few hundred patches of the set, frame by frame."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.model import Array, Shading, look_along
from lightstack.core.numbers import only_numbers
from lightstack.core.sweep.choose import weigh_channels
from lightstack.core.sweep.finder import CLOSED
from lightstack.errors import UnusableTake
from lightstack.records import LampShades, NoiseModel

WIDTH = 32  # patches across
SEEN_SHARE = 0.7  # of a patch that must be open
LIT_SIGMA, LIT_SHARE = 3.0, 0.15  # a patch takes part where so many frames light it
FLOOR_SIGMA = 6.0
FEWEST_PATCHES = 40
COLOUR_FRAMES = 24


def note_shades(
    light: Sequence[NDArray] | NDArray, flags: NDArray[np.uint8], *, noise: NoiseModel,
    source_frames: NDArray[np.int64], spots: NDArray[np.float64], size: tuple[int, int],
) -> LampShades:  # fmt: skip
    """Note what tells where the lamp was in lit frames; a few hundred numbers a frame.

    ``light``: (n, h, w, 3) registered frames minus ambient, NaN off the picture, read frame by frame. ``flags``:
    (n, h, w) of ``blockers.find_blockers``. ``noise``: of a frame at this size. ``source_frames``: (n,), rising.
    ``spots``: (n, c, 3) of ``lamps.find_in_shot``. ``size``: (H, W) of the full-size picture.
    """
    level, share = shrink_light(light, flags, noise)
    sigma = float(np.sqrt(noise.b.mean())) * WIDTH / flags.shape[2]
    return LampShades(level, share, sigma, np.asarray(source_frames), np.asarray(spots, np.float64), size)


def shrink_light(
    light: Sequence[NDArray] | NDArray, flags: NDArray[np.uint8], noise: NoiseModel
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give the level of lamp light (n, h, w) of pictures ``WIDTH`` across, and what share (n, h, w) of each is open.

    ``light``: (n, H, W, 3), read frame by frame; ``flags``: (n, H, W). Channels count by what they tell of this lamp.
    """
    count, height, width = flags.shape
    size = (WIDTH, max(2, round(height * WIDTH / width)))
    weights = _channel_weights(light, flags, noise)
    level = np.empty((count, size[1], size[0]), np.float32)
    share = np.empty_like(level)
    for k in range(count):
        picture = np.asarray(light[k], np.float32) @ weights
        seen = ((flags[k] & CLOSED) == 0) & np.isfinite(picture)
        total = cv2.resize(np.where(seen, picture, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
        share[k] = cv2.resize(seen.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        level[k] = total / np.maximum(share[k], 1e-6)
    return level, share


def _channel_weights(
    light: Sequence[NDArray] | NDArray, flags: NDArray[np.uint8], noise: NoiseModel
) -> NDArray[np.float32]:
    total = np.zeros(3)
    for k in np.unique(np.linspace(0, len(flags) - 1, COLOUR_FRAMES).astype(int)):
        closed = (flags[k] & CLOSED) > 0
        total += np.where(closed[..., None], 0, only_numbers(light[k]).astype(np.float64)).mean(axis=(0, 1))
    return weigh_channels(total, noise=noise).astype(np.float32)


def choose_patches(
    level: NDArray[np.float32], share: NDArray[np.float32], *, sigma: float, tangent: float
) -> tuple[Shading, NDArray[np.bool_]]:
    """Give the shading of all patches that enough frames light, and which these are, (h, w). ``sigma``: of a patch.

    Raises UnusableTake where too few patches are lit.
    """
    count = len(level)
    flat, seen = level.reshape(count, -1).astype(np.float64), share.reshape(count, -1) > SEEN_SHARE
    used = (seen & (flat > LIT_SIGMA * sigma)).mean(axis=0) > LIT_SHARE
    if used.sum() < FEWEST_PATCHES:
        raise UnusableTake(f"the lamp's light stands out of the noise on {used.mean():.0%} of the set; too little")
    rays = look_along((level.shape[1], level.shape[2]), tangent)[used]
    shading = Shading(flat[:, used], seen[:, used].astype(np.float64), FLOOR_SIGMA * sigma, rays)
    return shading, used.reshape(level.shape[1:])


def measure_spread(level: NDArray[np.float32], share: NDArray[np.float32]) -> Array:
    """Give how evenly each frame's light lies over the open part of the picture, (n,) 0..1.

    Notes: exp of the entropy over the number of patches; 1 = all alike, as by a lamp behind the camera or far away.
    """
    open_light = np.where(share > SEEN_SHARE, np.maximum(level, 0), 0).reshape(len(level), -1).astype(np.float64)
    part = open_light / np.maximum(open_light.sum(axis=1, keepdims=True), 1e-30)
    entropy = -(part * np.log(np.maximum(part, 1e-30))).sum(axis=1)
    patches = np.maximum((share > SEEN_SHARE).reshape(len(share), -1).sum(axis=1), 1)
    return np.asarray(np.exp(entropy) / patches)
