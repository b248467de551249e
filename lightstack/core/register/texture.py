"""What of a picture stays put while a lamp is carried past it: its texture.

Under another light a matte surface keeps its edges, while their brightness and contrast change. In log
luminance the light is a sum, and mostly a smooth one; what a local mean and a local spread leave over is
nearly the surface alone.
"""

from __future__ import annotations

import cv2
import numpy as np

from lightstack.core.compiled import compile_loop
from lightstack.core.half import widen
from lightstack.core.numbers import only_numbers
from lightstack.records import FloatArray, NoiseModel

__all__ = ["luma_noise", "mean_luma", "normalise_texture"]

# Green carries most of the luma that a codec keeps at full size; red and blue keep a share well above
# their photopic one, since a deep gel leaves one channel alone.
_LUMA = np.array([0.3, 0.5, 0.2], np.float32)
_SMOOTH_PX = 0.7  # band limit: keeps the grid's aliasing out of a hundredth of a pixel
_WINDOW_PX = 11  # small enough for the light to be even over it, large enough to hold an edge and its sides
# White noise keeps 1 / (4 pi s^2) of its variance through the smoothing; twice that is taken off.
_GRAIN_KEPT = 2 / (4 * np.pi * _SMOOTH_PX**2)
_LEAST_CONTRAST = 0.02  # natural log units; fainter texture than 2 % is shrunk, not blown up


def mean_luma(picture: FloatArray) -> FloatArray:
    """Weigh ``(h, w, 3)`` or ``(h, w)`` linear light into ``(h, w)`` float32 luma."""
    picture = np.asarray(picture)
    if picture.ndim == 2 or picture.shape[2] == 1:
        return np.ascontiguousarray(picture.reshape(picture.shape[:2]), np.float32)
    luma = np.empty(picture.shape[:2], np.float32)
    if picture.dtype == np.float16:
        _mix_halves(np.ascontiguousarray(picture).view(np.uint16), _LUMA, luma)
    else:
        _mix_floats(np.ascontiguousarray(picture, np.float32), _LUMA, luma)
    return luma


def luma_noise(noise: NoiseModel, luma: FloatArray) -> tuple[float, FloatArray]:
    """Return noise sigma of black and noise sigma at each ``(h, w)`` luma, linear light.

    Channels are taken as independent and equally bright; what is no number counts as black.
    """
    share = _LUMA.astype(np.float64) ** 2
    slope, floor = float(noise.a @ share), max(float(noise.b @ share), 1e-16)
    sigma = np.maximum(only_numbers(luma), np.float32(0))
    sigma *= np.float32(slope)
    sigma += np.float32(floor)
    return float(np.sqrt(floor)), np.sqrt(sigma, out=sigma)


def normalise_texture(
    luma: FloatArray,
    *,
    noise_sigma: float | FloatArray,
    foot: float | None = None,
    window: int = _WINDOW_PX,
) -> FloatArray:
    """Return locally normalised log luminance: mean near 0, spread near 1 where there is texture.

    ``luma``: ``(h, w)`` linear light. ``noise_sigma``: its noise, one number or ``(h, w)``; texture below
    it is shrunk toward 0. ``foot``: light added before the logarithm, twice the least noise if not given;
    pictures that are to be compared must share it. ``window``: side of the local square in pixels, odd.
    Returns ``(h, w)`` float32, finite (NaN and Inf in count as black).

    Notes: multiplying the picture by a smooth light leaves it nearly unchanged as long as the light
    stays well above the noise; shadow edges, and anything that moves, do not cancel.
    """
    luma = only_numbers(luma)
    sigma = np.asarray(noise_sigma, np.float32)
    held = np.maximum(luma, np.float32(0))
    held += np.float32(max(2 * sigma.min() if foot is None else foot, 1e-6))
    log = cv2.GaussianBlur(cv2.log(held), (0, 0), _SMOOTH_PX, borderType=cv2.BORDER_REFLECT)
    mean = cv2.blur(log, (window, window), borderType=cv2.BORDER_REFLECT)
    square = cv2.blur(cv2.multiply(log, log), (window, window), borderType=cv2.BORDER_REFLECT)
    sigma = np.ascontiguousarray(np.broadcast_to(sigma, luma.shape))
    _divide_by_spread(log, mean, square, sigma, held, np.float32(_GRAIN_KEPT), np.float32(_LEAST_CONTRAST**2))
    return log


@compile_loop(error_model="numpy")
def _divide_by_spread(log, mean, square, sigma, held, kept, least):  # type: ignore[no-untyped-def]
    """Take the local mean off ``log`` and divide by the spread that is not noise, in place; all (h, w)."""
    for y in range(log.shape[0]):
        for x in range(log.shape[1]):
            spread = max(square[y, x] - mean[y, x] * mean[y, x], np.float32(0))
            grain = sigma[y, x] / held[y, x]
            log[y, x] = (log[y, x] - mean[y, x]) / np.sqrt(spread + grain * grain * kept + least)


@compile_loop()
def _mix_floats(picture, shares, luma):  # type: ignore[no-untyped-def]
    """Weigh the channels of floats (h, w, 3) into ``luma`` (h, w)."""
    for y in range(luma.shape[0]):
        for x in range(luma.shape[1]):
            light = picture[y, x, 0] * shares[0] + picture[y, x, 1] * shares[1]
            luma[y, x] = light + picture[y, x, 2] * shares[2]


@compile_loop()
def _mix_halves(picture, shares, luma):  # type: ignore[no-untyped-def]
    """Weigh the channels of half floats (h, w, 3), given as uint16, into ``luma`` (h, w)."""
    line = np.empty((luma.shape[1], 3), np.float32)
    for y in range(luma.shape[0]):
        widen(picture[y].reshape(-1), line.reshape(-1))
        for x in range(luma.shape[1]):
            light = line[x, 0] * shares[0] + line[x, 1] * shares[1]
            luma[y, x] = light + line[x, 2] * shares[2]
