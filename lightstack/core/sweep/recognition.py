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
        self._details = [_set_detail(picture) for picture in pictures]

    def recognise(self, light: FloatArray, covered: Mask, clipped: Sequence[Mask]) -> Mask:
        """Say where a frame's lamp light ``(h, w, 3)`` carries the set's texture, ``(h, w)`` 0 or 1.

        ``covered``: places known to be covered, never recognised. ``clipped``: per channel ``(h, w)``, where it is
        at the ceiling and so without texture; a gel's other channels still show it close to the lamp.
        """
        sigma = self._noise.sigma(self._ambient + np.maximum(light, 0))
        details, contrasts, weights = (np.empty((3, *light.shape[:2]), np.float32) for _ in range(3))
        for c, flat in enumerate(clipped):
            lit, noise = np.maximum(light[..., c], 0), sigma[..., c]
            lifted = lit + FLOOR_SIGMA * noise
            details[c] = _detail(np.log(lifted))
            contrasts[c] = lit / lifted  # what the floor leaves of a texture's contrast
            wide = cv2.dilate(flat, disc(1))
            weights[c] = (1 - wide) / ((noise / lifted) ** 2 + np.float32(MODEL_ERROR**2))
        found = np.zeros(light.shape[:2], bool)
        for own in self._details:
            found |= _is_recognised(details, own, contrasts, weights)
        mask = (found & (covered == 0)).astype(np.uint8)
        mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, disc(2)) & (1 - covered)
        return np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(1)), np.uint8)


def _is_recognised(
    details: NDArray[np.float32], own: NDArray[np.float32], contrasts: NDArray[np.float32], weights: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Fit detail = strength * own * contrast in Gaussian windows; true where the strength is surely that of the set.
    All but ``own`` (h, w) hold channels, (3, h, w).

    Beside the strength its correlation counts: the outline of a face that runs along the edge of a wall is
    strong too, but the wall explains little of it.
    """
    sums = np.empty((*own.shape, 3), np.float32)
    _sum_products(details, own, contrasts, weights, sums)
    product, power, energy = cv2.split(_window(sums))
    power = np.maximum(power, 1e-9)
    error = 1 / np.sqrt(power * np.float32(4 * np.pi * WINDOW_WIDTH**2))
    alike = product > CORRELATION * np.sqrt(power * np.maximum(energy, 1e-9))
    return np.asarray((error < SURE_ERROR) & (product / power - 2 * error > RECOGNISED) & alike)


@compile_loop()
def _sum_products(details, own, contrasts, weights, out):  # type: ignore[no-untyped-def]
    """Weighted products over the channels, out (h, w, 3): detail with the set's texture, that and detail squared."""
    for y in range(own.shape[0]):
        for x in range(own.shape[1]):
            product, power, energy = np.float32(0), np.float32(0), np.float32(0)
            for c in range(3):
                texture, detail, weight = own[y, x] * contrasts[c, y, x], details[c, y, x], weights[c, y, x]
                pull = weight * texture
                product += pull * detail
                power += pull * texture
                energy += weight * detail * detail
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = product, power, energy


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
