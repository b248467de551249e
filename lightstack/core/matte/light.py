"""How the set is lit in a hero frame: the picture of the set times a gain that varies slowly over the picture.

Everything is measured on log differences ``log(frame) - log(set)``: a change of light is a slow addition there, a
shadow a slow drop that all channels share roughly, and a figure something else. Where a figure stands the gain is
carried on from around it.

References
----------
Knutsson & Westin, Normalized and differential convolution, CVPR 1993: smoothing with certainties.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.numbers import mean_channels, sum_channels
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["LogSet", "carry_on", "compare_logs", "fit_drift", "fit_held_light", "prepare_set"]

FLOOR_SIGMAS = 2.0  # of black noise, added before the logarithm: deeper darkness tells nothing
MODEL_ERROR = 0.015  # of the level: what compression, lens and a coarse light model leave, in logs
SHIFT_ERROR_PX = 0.12  # how far registration may be off at survey size
PLACED_ERROR_PX = 0.3  # the same between poses of one take
STEP = 8  # survey pixels to a cell of the slow gain
ROUNDS = 4
GRAIN_KERNEL = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
GRAIN_BLOCK, GRAIN_REACH = 9, 25  # pixels
PLAIN_LIFT = 1.3  # how far the plainest of some blocks lies below the mean in a picture of noise alone
LEAST_GRAIN = 0.12  # below it a picture counts as the mean of many frames
LEAST_FRAMES = 5
OFF_SIGMAS = 2.5  # what of the median over the take the slow light does not explain
RELIT_SHOWN = 0.5  # share of a piece in which the set must be seen
MOST_FRAMES, RESTS, RESTING_PART = 0.8, 1.6, 0.9  # share of the frames; sigma; share of a piece's pixels


@dataclass(frozen=True, slots=True)
class LogSet:
    """The set at survey size as logs.

    ``logs`` ``(h, w, 3)``; ``floor`` ``(3,)`` linear light added before the logarithm; ``error`` ``(h, w, 3)`` variance
    of a log that compression, registration and the light's model leave; ``variance`` ``(h, w, 3)`` the same with one
    frame's noise at the set's own level; ``steep`` ``(h, w)`` the set's own slope per pixel; ``noise`` of one frame;
    ``grain`` ``(h, w, 3)`` variance that the set's picture has of its own: one of a single frame is as noisy as that.
    """

    logs: NDArray[np.float32]
    floor: NDArray[np.float32]
    error: NDArray[np.float32]
    variance: NDArray[np.float32]
    steep: NDArray[np.float32]
    noise: NoiseModel
    grain: NDArray[np.float32]

    def variance_at(self, logs: NDArray[np.float32], *, share: FloatArray | float = 1.0) -> NDArray[np.float32]:
        """Variance of a frame's logs ``(h, w, 3)``: darker than the set, they are noisier. ``share``: (h, w) or one
        number, what averaging left of the noise."""
        level = np.exp(cv2.blur(logs, (5, 5), borderType=cv2.BORDER_REPLICATE))
        slope, offset = np.asarray(self.noise.a, np.float32), np.asarray(self.noise.b, np.float32)
        noisy = (np.maximum(level - self.floor, 0) * slope + offset) / level**2
        return np.asarray(self.error + noisy * np.atleast_2d(share)[..., None], np.float32)


def prepare_set(picture: FloatArray, noise: NoiseModel) -> LogSet:
    """Take the logs of a picture of the set ``(h, w, 3)``, linear light, with how far a frame may stray from them."""
    light = np.maximum(np.nan_to_num(np.asarray(picture, np.float32)), 0)
    floor = (FLOOR_SIGMAS * np.sqrt(np.maximum(noise.b, 1e-10)) + 1e-4).astype(np.float32)
    logs = np.log(light + floor)
    steep = slope_of(logs)
    noisy = ((noise.sigma(light) / (light + floor)) ** 2).astype(np.float32)
    grain = measure_grain(logs, noisy)[..., None] * noisy
    error = (MODEL_ERROR**2 + (SHIFT_ERROR_PX * steep) ** 2 + grain).astype(np.float32)
    return LogSet(logs, floor, error, (error + noisy).astype(np.float32), steep.max(-1), noise, grain)


def measure_grain(logs: NDArray[np.float32], noisy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Tell what share of one frame's noise variance ``noisy`` ``(h, w, 3)`` a picture's own grain has, (h, w) 0 to 1.

    Notes: by the plainest place nearby, since texture looks like grain; a picture may be patched together from others.
    Where texture is everywhere it is taken to be as noisy as a frame, which hardly counts beside it.

    References: Immerkaer 1996, "Fast noise variance estimation", Comput. Vis. Image Underst. 64(2), eq. 2: the kernel;
    its squares sum to 36.
    """
    rough = cv2.filter2D(logs, cv2.CV_32F, GRAIN_KERNEL, borderType=cv2.BORDER_REFLECT_101) ** 2 / 36
    block: dict[str, Any] = {"ksize": (GRAIN_BLOCK, GRAIN_BLOCK), "borderType": cv2.BORDER_REFLECT_101}
    share = mean_channels(cv2.blur(rough, **block)) / np.maximum(mean_channels(cv2.blur(noisy, **block)), 1e-12)
    plain = cv2.erode(share, np.ones((GRAIN_REACH, GRAIN_REACH), np.uint8)) * PLAIN_LIFT
    smooth = cv2.blur(plain, (GRAIN_REACH, GRAIN_REACH), borderType=cv2.BORDER_REPLICATE)
    return np.clip((smooth - LEAST_GRAIN) / (1 - LEAST_GRAIN), 0, 1).astype(np.float32)


def slope_of(logs: NDArray[np.float32]) -> NDArray[np.float32]:
    """How steep logs ``(h, w, 3)`` are, per pixel."""
    slopes = [cv2.Scharr(logs, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)]
    return np.asarray(np.sqrt(slopes[0] ** 2 + slopes[1] ** 2), np.float32)


def compare_logs(frame: FloatArray, known: LogSet) -> NDArray[np.float32]:
    """Return log(frame) - log(set), ``(h, w, 3)`` float32."""
    light = np.maximum(np.nan_to_num(np.asarray(frame, np.float32)), 0)
    return np.asarray(np.log(light + known.floor) - known.logs, np.float32)


def fit_held_light(
    differences: Sequence[NDArray[np.float32]], known: LogSet, *, shows_set: BoolArray | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Find what of the light differs from the set's picture over the whole take, ``(h, w, 3)`` logs, and where it
    changes the set's very texture, (h, w) 0..1.

    ``differences``: of frames spread over the take. ``shows_set`` (h, w): where the set's own texture is seen, under
    whatever light; without it no texture counts as changed by light.

    Notes: the median of differences knows nothing of whoever moves; what is left of whoever rests is kept out because
    there the set's texture is missing. Fails where somebody rests all the time in front of a wall that has no texture
    and wears its colour.
    """
    middle = np.median(np.stack(list(differences)), axis=0).astype(np.float32)
    weight = (1 / (1 + strayed(middle, known.variance) ** 2)).astype(np.float32)
    slow = fit_drift(middle, known, weight=weight)
    near = cv2.blur(middle, (5, 5), borderType=cv2.BORDER_REPLICATE)
    sure = cv2.erode(weight, np.ones((5, 5), np.uint8))[..., None]
    sure = sure * np.exp(-0.5 * (colour_part(near - slow) ** 2).sum(-1, keepdims=True) / 0.1**2)
    held = np.asarray(slow + np.clip(2 * sure - 0.5, 0, 1) * (near - slow), np.float32)
    if shows_set is None:
        return held, np.zeros(held.shape[:2], np.float32)
    share = soften(find_relit(differences, middle, held, known, shows_set))
    return np.asarray(held + share[..., None] * (middle - held), np.float32), share


def soften(mask: BoolArray) -> NDArray[np.float32]:
    """A mask (h, w) grown by a pixel, with a soft edge."""
    return cv2.blur(cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32), (3, 3))


def find_relit(
    differences: Sequence[NDArray[np.float32]],
    middle: NDArray[np.float32],
    held: NDArray[np.float32],
    known: LogSet,
    shows_set: BoolArray,
) -> BoolArray:
    """Where the set is lit otherwise than slowly over the picture, from one end of the take to the other, (h, w) bool.

    ``differences``: of frames spread over the take; ``middle`` ``(h, w, 3)`` their median, ``held`` what of it is
    explained already.

    Notes: light that comes from elsewhere brings other shadows and another relief. Such a piece rests but for the
    noise, its outline too; and the set's own texture is still seen in it. Who holds still all the time hides that.
    """
    if len(differences) < LEAST_FRAMES:
        return np.zeros(middle.shape[:2], bool)
    left = middle - held
    off = cv2.blur(mean_channels(left**2 / known.variance), (3, 3), borderType=cv2.BORDER_REPLICATE)
    changed = cv2.morphologyEx((off > OFF_SIGMAS**2).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, labels, stats, _ = cv2.connectedComponentsWithStats(changed)
    if count == 1:
        return np.zeros(changed.shape, bool)
    unrest = measure_strays(differences, middle, known)
    keep = np.zeros(count, bool)
    for k in range(1, count):
        box = tuple(
            slice(max(0, stats[k, at] - 3), stats[k, at] + stats[k, size] + 3)
            for at, size in ((cv2.CC_STAT_TOP, cv2.CC_STAT_HEIGHT), (cv2.CC_STAT_LEFT, cv2.CC_STAT_WIDTH))
        )
        whole = cv2.dilate((labels[box] == k).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        shown = float(shows_set[box][labels[box] == k].mean())
        keep[k] = shown > RELIT_SHOWN and np.quantile(unrest[box][whole], RESTING_PART) < RESTS
    return np.asarray(keep[labels])


def measure_strays(
    differences: Sequence[NDArray[np.float32]], middle: NDArray[np.float32], known: LogSet
) -> NDArray[np.float32]:
    """How far a place strays from its median in most frames, (h, w), in sigma; what the frame as a whole does counts
    not."""
    strays, allowed = [], known.variance + (PLACED_ERROR_PX * slope_of(known.logs + middle)) ** 2
    for difference in differences:
        off = difference - middle
        off = off - np.median(off.reshape(-1, 3)[::7], axis=0)
        strays.append(cv2.blur(mean_channels(off**2 / allowed), (3, 3), borderType=cv2.BORDER_REPLICATE))
    return np.sqrt(np.quantile(np.stack(strays), MOST_FRAMES, axis=0)).astype(np.float32)


def colour_part(difference: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take the channels' mean off ``(h, w, 3)``: what is left is a change of colour."""
    return np.asarray(difference - difference.mean(-1, keepdims=True), np.float32)


def strayed(difference: NDArray[np.float32], variance: NDArray[np.float32], side: int = 5) -> NDArray[np.float32]:
    """How unsteady a difference is within ``side`` pixels, against the ``variance`` that is allowed, ``(h, w)``.

    1 is what the set shows under any slow light; texture that came or went raises it.
    """
    box: dict[str, Any] = {"ksize": (side, side), "borderType": cv2.BORDER_REPLICATE}
    inverse = (1 / variance).astype(np.float32)
    mass = cv2.blur(inverse, **box)
    mean = cv2.blur(difference * inverse, **box) / mass
    square = cv2.blur(difference**2 * inverse, **box) - mean**2 * mass
    return np.asarray(np.sqrt(np.maximum(mean_channels(square), 0)), np.float32)


def fit_drift(
    difference: NDArray[np.float32], known: LogSet, *, weight: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Fit a gain that varies slowly, ``(h, w, 3)`` logs, to a difference in which somebody may stand.

    ``weight``: ``(h, w)`` 0..1, how likely each pixel shows the set. Rounds of smoothing with certainties; what lies
    off the fit loses its say.
    """
    height, width = difference.shape[:2]
    small = (max(2, width // STEP), max(2, height // STEP))
    certain = np.asarray(1 / (mean_channels(known.variance) + 0.02**2), np.float32)
    if weight is not None:
        certain = certain * weight
    spread = np.sqrt(known.variance)
    fitted = _middle_of(difference, certain)[None, None] * np.ones_like(difference)
    for tolerance in np.geomspace(0.5, 0.06, ROUNDS):
        off = ((difference - fitted) / (tolerance + 2 * spread)) ** 2
        now = (certain / (1 + sum_channels(off)) ** 2)[..., None]
        mass = cv2.resize(now[..., 0], small, interpolation=cv2.INTER_AREA)
        total = cv2.resize(difference * now, small, interpolation=cv2.INTER_AREA)
        coarse = carry_on(total, mass, sigmas=(2.0, 5.0, 15.0))
        fitted = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    return np.asarray(fitted, np.float32)


def _middle_of(difference: NDArray[np.float32], certain: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the weighted median of every channel, ``(3,)``, from every seventh pixel."""
    values, weights = difference.reshape(-1, 3)[::7], certain.ravel()[::7]
    middle = []
    for channel in values.T:
        order = np.argsort(channel)
        summed = np.cumsum(weights[order], dtype=np.float64)
        middle.append(channel[order][np.searchsorted(summed, 0.5 * summed[-1])])
    return np.array(middle, np.float32)


def carry_on(
    total: NDArray[np.float32], mass: NDArray[np.float32], *, sigmas: Sequence[float]
) -> NDArray[np.float32]:
    """Return weighted means that reach as far as they must, ``(h, w, c)``.

    ``total``: weighted values; ``mass``: the weights ``(h, w)``. Narrow means are used where they hold enough weight,
    wider ones elsewhere.
    """
    usual = float(mass.mean()) + 1e-20
    result: NDArray[np.float32] | None = None
    for sigma in reversed(list(sigmas)):
        options: dict[str, Any] = {"ksize": (0, 0), "sigmaX": sigma, "borderType": cv2.BORDER_REPLICATE}
        weight = cv2.GaussianBlur(mass, **options)
        parts = [cv2.GaussianBlur(total[..., i : i + 3], **options) for i in range(0, total.shape[-1], 3)]
        mean = np.concatenate(parts, axis=-1) / np.maximum(weight, 1e-20)[..., None]
        share = (weight / (weight + 0.1 * usual))[..., None]
        result = mean if result is None else result + share * (mean - result)
    if result is None:
        raise ValueError("carry_on: needs one sigma at least")
    return np.asarray(result, np.float32)
