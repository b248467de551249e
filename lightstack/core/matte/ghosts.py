"""Where the picture of a set shows somebody, or something, that the take it is compared with never shows."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import mean_channels
from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["ALWAYS", "find_ghosts", "measure_steepness", "paint_ghosts"]

ALWAYS = 0.85  # share of the frames in which a place counts as figure
LEAST_SHARE = 4e-4  # of the picture; smaller ones are specks
CLEARER = 1.3  # by how much the outline must be drawn more clearly in the set's picture than in the take's
BESIDE, BESIDE_REACH = 0.6, 0.06  # the same beside a ghost: its limbs over busy ground; reach in shares of the diagonal
LEAST_FRAMES = 5
MOST_FRAMES = 0.6  # share of the frames in which a place must rest: somebody may pass before it
RESTS, RESTING_PART = 1.8, 0.7  # sigma; share of a ghost's pixels that must rest so
STEP = 0.01
RIM = 2  # pixels at survey size on either side of the outline


def find_ghosts(
    standing: FloatArray, bare: FloatArray, frames: Sequence[FloatArray], *, noise: NoiseModel
) -> BoolArray:
    """Find what stands in the set's picture and not in the take.

    Parameters
    ----------
    standing : (h, w) in what share of the take's frames each place differs from the set as a figure does.
    bare : ``(h, w, 3)`` the set's picture. frames : of the take, of one pose, spread in time; all linear.
    noise : of one frame at this size.

    Notes
    -----
    Behind a ghost the take shows the bare set, which rests but for the noise; somebody who stays in one place never
    does. A thing that stands still in the take the whole time rests as well; but then the take draws its outline, and
    the set's picture does not. Whoever wears the colour of what is behind him leaves no outline and is not found.
    """
    always = cv2.morphologyEx((standing >= ALWAYS).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    if len(frames) < LEAST_FRAMES or not always.any():
        return np.zeros(always.shape, bool)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(always)
    shown = np.median(np.stack(list(frames)), axis=0).astype(np.float32)
    restless = measure_unrest(frames, shown, noise)
    steep_set, steep_take = measure_steepness(bare, noise), measure_steepness(shown, noise)
    clearer: dict[int, float] = {}
    for k in range(1, count):
        if stats[k, cv2.CC_STAT_AREA] < LEAST_SHARE * always.size:
            continue
        if np.quantile(restless[labels == k], RESTING_PART) > RESTS:
            continue
        one = (labels == k).astype(np.uint8)
        rim = (cv2.dilate(one, disc(RIM)) > 0) & (cv2.erode(one, disc(RIM)) == 0)
        clearer[k] = float(steep_set[rim].mean() / max(float(steep_take[rim].mean()), 1e-9))
    sure = np.isin(labels, [k for k, ratio in clearer.items() if ratio > CLEARER])
    reach = disc(max(RIM, round(BESIDE_REACH * float(np.hypot(*always.shape)))))
    beside = set(np.unique(labels[cv2.dilate(sure.astype(np.uint8), reach) > 0]).tolist())
    limbs = np.isin(labels, [k for k, ratio in clearer.items() if ratio > BESIDE and k in beside])
    return np.asarray(sure | limbs)


def measure_unrest(
    frames: Sequence[FloatArray], shown: FloatArray, noise: NoiseModel
) -> NDArray[np.float32]:
    """How far a place strays from its median in time in most frames, (h, w), in sigma of the noise; 1 is rest.

    What brightens the frame as a whole is taken off; a codec's steps of a hundredth of the level count as noise.
    """
    sigma = np.sqrt(noise.sigma(shown) ** 2 + (STEP * shown) ** 2)
    strays = []
    for frame in frames:
        gain = np.median(np.asarray(frame, np.float32) / np.maximum(shown, 1e-4))
        off = (np.asarray(frame, np.float32) - gain * shown) / sigma
        strays.append(np.sqrt(cv2.blur(mean_channels(off**2), (3, 3), borderType=cv2.BORDER_REPLICATE)))
    return np.asarray(np.quantile(np.stack(strays), MOST_FRAMES, axis=0), np.float32)


def measure_steepness(picture: FloatArray, noise: NoiseModel) -> NDArray[np.float32]:
    """Return how steep a picture is in logs, (h, w); where it is dark noise does not count as edges."""
    floor = 2 * np.sqrt(np.maximum(noise.b, 1e-10)) + 1e-4
    logs = np.log(np.maximum(np.asarray(picture, np.float32), 0) + floor.astype(np.float32))
    soft = cv2.GaussianBlur(logs, (0, 0), 0.8, borderType=cv2.BORDER_REPLICATE)
    slopes = [cv2.Scharr(soft, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)]
    return np.asarray(np.sqrt(slopes[0] ** 2 + slopes[1] ** 2).max(-1), np.float32)


def paint_ghosts(bare: NDArray[np.float32], shown: NDArray[np.float32], ghosts: BoolArray) -> NDArray[np.float32]:
    """Return the set's picture, of any size, with the take's own picture ``(h, w, 3)`` where ghosts (h, w) stand."""
    if not ghosts.any():
        return bare
    height, width = bare.shape[:2]
    soft = cv2.blur(cv2.dilate(ghosts.astype(np.uint8), disc(2 * RIM + 1)).astype(np.float32), (3, 3))
    share, own = soft, shown
    if ghosts.shape != (height, width):
        share, own = (cv2.resize(p, (width, height), interpolation=cv2.INTER_LINEAR) for p in (soft, shown))
    return np.asarray(bare + share[..., None] * (own - bare), np.float32)
