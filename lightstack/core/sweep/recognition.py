"""Where the set's own texture shows through the light: the opposite of evidence for cover.

Light that falls on a surface is multiplied by it, so in logarithms the surface's texture stands in every
picture of it unchanged, however strongly it is lit. Where a frame holds that texture the set is open to
view; a hand, a sleeve or the lamp does not carry the wallpaper's pattern. Blind on plain surfaces, where it
says nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.regions import Mask, disc
from lightstack.records import FloatArray, NoiseModel

DETAIL_WIDTH = 4.0  # px: coarser than this is shading, not texture
WINDOW_WIDTH = 3.0  # px: Gaussian window in which textures are compared
FLOOR_SIGMA = 4.0  # light is compared in log(light + this many sigma), so that noise stays bounded
MODEL_ERROR = 0.05  # by which even the set's own texture differs (shading, registration)
SURE_ERROR = 0.25  # standard error of the texture's strength above which nothing is said
RECOGNISED = 0.4  # two standard errors below the strength found: 1 = the set's texture in full, 0 = none
CORRELATION = 0.5  # of the two textures, at least
OPEN_QUANTILE = 60.0  # of a place's light over the frames; deaf to the few frames with a lit hand there


class SetGauge:
    """Recognises the set by its texture.

    ``pictures``: ``(h, w)`` luminances of the bare set under different lights, such as the ambient.
    ``ambient``: ``(h, w, 3)``. ``noise``: of the frames at this size.
    """

    def __init__(self, pictures: Sequence[FloatArray], ambient: FloatArray, noise: NoiseModel) -> None:
        self._ambient = np.maximum(np.asarray(ambient, np.float32), 0)
        self._noise = noise
        self._details = np.stack([_set_detail(picture) for picture in pictures])

    def recognise(self, light: FloatArray, covered: Mask, clipped: Sequence[Mask]) -> Mask:
        """Say where a frame's lamp light ``(h, w, 3)`` carries the set's texture, ``(h, w)`` 0 or 1.

        ``covered``: places known to be covered, never recognised. ``clipped``: per channel ``(h, w)``, where it is
        at the ceiling and so without texture; a gel's other channels still show it close to the lamp.
        """
        size = light.shape[:2]
        lifted, contrasts, weights = (np.empty((3, *size), np.float32) for _ in range(3))
        wide = np.stack([cv2.dilate(flat, disc(1)) for flat in clipped])
        _lift_light(light, self._ambient, self._noise.a, self._noise.b, wide, lifted, contrasts, weights)
        logs = np.log(lifted, out=lifted)
        coarse = np.empty_like(logs)
        for log, smooth in zip(logs, coarse, strict=True):
            cv2.GaussianBlur(log, (0, 0), DETAIL_WIDTH, dst=smooth, borderType=cv2.BORDER_REFLECT)
        sums = np.empty((len(self._details), *size, 3), np.float32)
        _sum_products(logs, coarse, self._details, contrasts, weights, sums)
        mask = np.zeros(size, np.uint8)
        for own in sums:
            _mark_recognised(_window(own), mask)
        mask &= covered == 0
        mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2)) & (1 - covered)
        return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(1)), np.uint8)


@compile_loop(error_model="numpy")
def _lift_light(light, ambient, a, b, wide, lifted, contrasts, weights):  # type: ignore[no-untyped-def]
    """Lamp light over a floor of its noise, the contrast that the floor leaves of a texture, and how much of it counts.

    ``light``, ``ambient`` (h, w, 3); noise as a * level + b; ``wide`` (3, h, w) 0 or 1, where not to look; the others
    (3, h, w).
    """
    for c in range(3):
        for y in range(wide.shape[1]):
            for x in range(wide.shape[2]):
                lit = max(light[y, x, c], np.float32(0))
                level = max(ambient[y, x, c] + lit, np.float32(0))
                noise = np.float32(np.sqrt(max(level * a[c] + b[c], 1e-16)))
                high = lit + np.float32(FLOOR_SIGMA) * noise
                error = noise / high
                lifted[c, y, x] = high
                contrasts[c, y, x] = lit / high
                weights[c, y, x] = np.float32(1 - wide[c, y, x]) / (error * error + np.float32(MODEL_ERROR**2))


@compile_loop()
def _sum_products(logs, coarse, details, contrasts, weights, out):  # type: ignore[no-untyped-def]
    """Weighted products over the channels, out (k, h, w, 3): detail with the set's texture, that and detail squared.

    ``details`` (k, h, w) of the set; the others (3, h, w), the frame's own detail being ``logs`` less ``coarse``.
    """
    for k in range(details.shape[0]):
        for y in range(details.shape[1]):
            for x in range(details.shape[2]):
                product, power, energy = np.float32(0), np.float32(0), np.float32(0)
                for c in range(3):
                    texture, weight = details[k, y, x] * contrasts[c, y, x], weights[c, y, x]
                    detail = logs[c, y, x] - coarse[c, y, x]
                    pull = weight * texture
                    product += pull * detail
                    power += pull * texture
                    energy += weight * detail * detail
                out[k, y, x, 0], out[k, y, x, 1], out[k, y, x, 2] = product, power, energy


@compile_loop(error_model="numpy")
def _mark_recognised(sums, mask):  # type: ignore[no-untyped-def]
    """Fit detail = strength * the set's * contrast in windows; 1 in ``mask`` where the strength is surely the set's.

    ``sums`` (h, w, 3): of ``_sum_products``, in Gaussian windows. Beside the strength its correlation counts: the
    outline of a face that runs along the edge of a wall is strong too, but the wall explains little of it.
    """
    for y in range(mask.shape[0]):
        for x in range(mask.shape[1]):
            product, power = sums[y, x, 0], max(sums[y, x, 1], np.float32(1e-9))
            energy = max(sums[y, x, 2], np.float32(1e-9))
            error = np.float32(1) / np.sqrt(power * np.float32(4 * np.pi * WINDOW_WIDTH**2))
            alike = product > np.float32(CORRELATION) * np.sqrt(power * energy)
            strong = product / power - np.float32(2) * error > np.float32(RECOGNISED)
            mask[y, x] |= np.uint8((error < np.float32(SURE_ERROR)) & strong & alike)


def _set_detail(picture: FloatArray) -> NDArray[np.float32]:
    """Texture of a bare set's luminance ``(h, w)`` in logarithms."""
    clean = np.maximum(np.asarray(picture, np.float32), 0)
    local = cv2.GaussianBlur(clean, (0, 0), DETAIL_WIDTH, borderType=cv2.BORDER_REFLECT)
    return _detail(np.log(clean + 0.02 * local + 1e-6))


def _detail(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return picture - cv2.GaussianBlur(picture, (0, 0), DETAIL_WIDTH, borderType=cv2.BORDER_REFLECT)


def _window(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return cv2.GaussianBlur(picture, (0, 0), WINDOW_WIDTH, borderType=cv2.BORDER_REFLECT)


def usual_light(
    lumas: Sequence[FloatArray], covered: Sequence[Mask], *, quantile: float = OPEN_QUANTILE
) -> NDArray[np.float32]:
    """Return how brightly each place usually answers the lamp: a quantile over frames where it is open.

    ``lumas``: ``(h, w)`` per frame. ``covered``: ``(h, w)`` per frame. ``quantile``: percent. 0 where no frame is open.
    """
    stack = np.stack([np.asarray(luma, np.float32) for luma in lumas])
    hidden = np.stack([mask > 0 for mask in covered])
    stack[hidden] = np.inf  # sorts to the end
    stack.sort(axis=0)
    count = (~hidden).sum(axis=0)
    rank = np.clip(np.round((count - 1) * quantile / 100), 0, None).astype(np.int64)
    picked = np.take_along_axis(stack, rank[None], axis=0)[0]
    return np.where(count > 0, picked, 0).astype(np.float32)
