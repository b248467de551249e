"""Evidence that something stands before the set: three measurements of one frame, each blind where another
sees.

* *Cover*: how much of the ambient has gone. Light only adds, so a place that lost its ambient is covered.
Blind
  where the ambient is darker than noise, and on whatever the lamp lights up.
* *Disagreement*: does the light follow the set's own texture and colour, or is the picture an even patch on
top of
  which the ambient's texture is missing? Blind on plain surfaces.
* *Excess*: is a place far brighter than the set ever gets there? Finds lit hands and faces and the lamp;
blind
  where the set itself is lit as strongly.

All work at survey size, ``(h, w)`` about 320 pixels across, linear light.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.records import FloatArray, NoiseModel

COVER_SCALES = (0.0, 0.8, 1.6, 3.2, 6.4)  # Gaussian widths in pixels, the finest that is sure enough is used
COVER_LIMIT = 1.0
COVER_ERROR = 0.17  # standard error that is sure enough: half covered is three of them
FIT_RADII = (2, 5)  # half sides of the windows in which the two models are fitted
LIGHT_MISMATCH = 0.05  # share by which even true lamp light may leave the model (shading, registration)
AMBIENT_MISMATCH = 0.03
UNEVEN_COST = 0.0
CEILING_GAP, CEILING_SHARE = 3.0, 0.10


class CoverGauge:
    """Measures the share of the ambient that has gone, weighing pixels by what their ambient can tell.

    ``ambient``: (h, w, 3). ``noise``: of the frames at this size.

    Notes: per channel and pixel the least-squares share of "light = -share * ambient" in a Gaussian window,
    the window being the finest whose standard error is small enough; the channel that lost most decides,
    because a coloured lamp fills some channels and leaves others. Where no window suffices the result is -1.
    """

    def __init__(self, ambient: FloatArray, noise: NoiseModel) -> None:
        level = np.maximum(np.asarray(ambient, np.float32), 0)
        sigma = noise.sigma(level)
        self._weight = level / sigma**2
        self._limit = COVER_LIMIT * sigma  # a bright neighbour must not drown what the window shows
        information = np.asarray(level * self._weight, np.float32)
        sums = [_smooth(information, s) for s in COVER_SCALES]
        counts = [1.0 if s == 0 else 4 * np.pi * s * s for s in COVER_SCALES]
        self._choice = np.full(level.shape, -1, np.int8)
        for i in reversed(range(len(COVER_SCALES))):
            error = 1 / np.sqrt(np.maximum(sums[i] * max(counts[i], 1.0), 1e-12))
            self._choice[error < COVER_ERROR] = i
        picked = np.take_along_axis(np.stack(sums), np.maximum(self._choice, 0)[None].astype(np.intp), 0)[0]
        self._inverse = (1 / np.maximum(picked, 1e-12)).astype(np.float32)
        self._used = [bool((self._choice == i).any()) for i in range(len(COVER_SCALES))]

    def measure(self, light: FloatArray) -> NDArray[np.float32]:
        """Share of the ambient gone, (h, w) float32: 1 covered, 0 as it was, negative where the lamp adds."""
        pull = np.minimum(light, self._limit)
        pull *= -self._weight
        smooth = np.empty((len(COVER_SCALES), *pull.shape), np.float32)
        for i, width in enumerate(COVER_SCALES):
            if self._used[i]:
                smooth[i] = _smooth(pull, width)
        share = np.empty(pull.shape[:2], np.float32)
        _pick_share(smooth, self._choice, self._inverse, share)
        return share


@compile_loop()
def _pick_share(smooth, choice, inverse, out):  # type: ignore[no-untyped-def]
    """The largest share over the channels, each from the window chosen for it; -1 where none was good enough."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            best = np.float32(-1)
            for c in range(3):
                i = choice[y, x, c]
                if i >= 0:
                    best = max(best, smooth[i, y, x, c] * inverse[y, x, c])
            out[y, x] = best


def brightest_channel(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """The largest of three channels, (h, w); ten times faster than a reduction over a short last axis."""
    return np.maximum(np.maximum(picture[..., 0], picture[..., 1]), picture[..., 2])


def _smooth(picture: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    if width == 0:
        return picture
    if width < 3:
        return cv2.GaussianBlur(picture, (0, 0), width, borderType=cv2.BORDER_REFLECT)
    side = round(float(np.sqrt(4 * width * width + 1))) // 2 * 2 + 1  # three boxes of this side have about this width
    for _ in range(3):
        picture = cv2.blur(picture, (side, side), borderType=cv2.BORDER_REFLECT)
    return picture


@compile_loop(error_model="numpy")
def _gather_moments(light, ambient, scene, a, b, out):  # type: ignore[no-untyped-def]
    """Weighted products of one frame, out (h, w, 12): l*R, R*R, l*l summed over channels, then w, w*t, w*t*t each."""
    for y in range(light.shape[0]):
        for x in range(light.shape[1]):
            lr, rr, ll = np.float32(0), np.float32(0), np.float32(0)
            for c in range(3):
                value, base, texture = light[y, x, c], ambient[y, x, c], scene[y, x, c]
                lit = max(value, np.float32(0))
                mismatch = np.float32(LIGHT_MISMATCH) * value
                still = np.float32(AMBIENT_MISMATCH) * base
                w = np.float32(1) / (a[c] * (base + lit) + b[c] + mismatch * mismatch + still * still)
                total = value + base
                lr += w * value * texture
                rr += w * texture * texture
                ll += w * value * value
                out[y, x, 3 + c] = w
                out[y, x, 6 + c] = w * total
                out[y, x, 9 + c] = w * total * total
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = lr, rr, ll


@compile_loop(error_model="numpy")
def _compare_fits(moments, count, out):  # type: ignore[no-untyped-def]
    """Misfit of "the set's own light" less misfit of "an even patch", from window means (h, w, 12)."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            lr, rr, ll = moments[y, x, 0], moments[y, x, 1], moments[y, x, 2]
            gain = max(np.float32(0), lr / max(rr, np.float32(1e-12)))
            scene_misfit = ll - gain * (np.float32(2) * lr - gain * rr)
            patch_misfit = np.float32(0)
            for c in range(3):
                w, wt, wtt = moments[y, x, 3 + c], moments[y, x, 6 + c], moments[y, x, 9 + c]
                level = max(np.float32(0), wt / w)
                patch_misfit += wtt - level * (np.float32(2) * wt - level * w)
            # three channels of pure noise give 3; a patch that is uneven itself is a poor explanation
            uneven = max(np.float32(0), patch_misfit - np.float32(3))
            out[y, x] = count * (scene_misfit - patch_misfit - np.float32(UNEVEN_COST) * uneven)


def measure_disagreement(
    light: FloatArray, ambient: FloatArray, scene_light: FloatArray, *, noise: NoiseModel
) -> tuple[NDArray[np.float32], ...]:
    """Compare two explanations of each window of a frame, one (h, w) float32 map per radius in ``FIT_RADII``.

    ``scene_light``: (h, w, 3), what the set usually sends back: its texture and colour under this lamp.

    Returns chi-square of "light = gain * scene_light" less chi-square of "frame = an even patch": large where
    something covers the set, lit or not, strongly negative where the set's own texture shows, about 0 where
    both will do. A window's values are in units of noise variance, with 5 % of the light allowed for shading.

    Notes: shadows are no cover to it (gain 0 fits), edges of depth and of glossy highlights can be.
    """
    shape = light.shape[:2]
    moments = np.empty((*shape, 12), np.float32)
    a, b = noise.a.astype(np.float32), noise.b.astype(np.float32)
    _gather_moments(
        np.ascontiguousarray(light, np.float32), np.ascontiguousarray(ambient, np.float32),
        np.ascontiguousarray(scene_light, np.float32), a, np.maximum(b, np.float32(1e-12)), moments,
    )  # fmt: skip
    maps = []
    for radius in FIT_RADII:
        side = 2 * radius + 1
        means = cv2.blur(moments, (side, side), borderType=cv2.BORDER_REFLECT)
        out = np.empty(shape, np.float32)
        _compare_fits(means, np.float32(side * side), out)
        maps.append(out)
    return tuple(maps)


def find_ceiling(peaks: NDArray, floor: NDArray[np.float32]) -> NDArray[np.float32]:
    """The most light that each place ever sends back by itself, (h, w) float32; inf where nothing exceeded
    it.

    ``peaks``: (m, h, w) brightest channel of frames, or of runs of frames, all with the lamp on. ``floor``:
    level under which nothing can be told, 3 sigma.

    Notes: the values of one pixel, sorted, are close to each other as the lamp comes and goes; what passed
    close to the lamp, a hand or the lamp itself, leaves a few values far above a gap. The ceiling lies in the
    lowest gap of at least ``CEILING_GAP`` that has at most ``CEILING_SHARE`` of the frames above it. Glints
    make such gaps too; they are small.
    """
    count = max(3, round(CEILING_SHARE * len(peaks)))
    skip = 1 + round(len(peaks) / 200)  # an outline that sweeps by leaves a few values in between
    top = -np.sort(-np.asarray(peaks, np.float32), axis=0)[: count + skip]
    top = np.maximum(top, 0) + floor
    if len(top) <= skip:
        return np.full(floor.shape, np.inf, np.float32)
    gap = top[:-skip] >= CEILING_GAP * top[skip:]
    last = len(gap) - 1 - np.argmax(gap[::-1], axis=0)
    above = np.take_along_axis(top, last[None], 0)[0]
    below = np.take_along_axis(top, last[None] + skip, 0)[0]
    return np.where(gap.any(0), np.sqrt(above * below) - floor, np.inf).astype(np.float32)


def average_scene_light(
    frames: Sequence[NDArray[np.float32]], open_masks: Sequence[NDArray[np.bool_]]
) -> NDArray[np.float32]:
    """Mean lamp light of frames ``(h, w, 3)`` where each is open ``(h, w)``; 0 where none is."""
    total = np.zeros(frames[0].shape, np.float64)
    count = np.zeros(frames[0].shape[:2], np.float64)
    for frame, is_open in zip(frames, open_masks, strict=True):
        total += np.where(is_open[..., None], frame, 0)
        count += is_open
    return (total / np.maximum(count, 1)[..., None]).astype(np.float32)
