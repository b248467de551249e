"""What of a picture stays put while a lamp is carried past it: its texture.

Under another light a matte surface keeps its edges, while their brightness and contrast change. In log
luminance the light is a sum, and mostly a smooth one; what a local mean and a local spread leave over is
nearly the surface alone.
"""

from __future__ import annotations

import cv2
import numpy as np

from lightstack.records import FloatArray, NoiseModel

__all__ = ["luma_noise", "mean_luma", "normalise_texture"]

# Green carries most of the luma that a codec keeps at full size; red and blue keep a share well above
# their photopic one, since a deep gel leaves one channel alone.
_LUMA = np.array([0.3, 0.5, 0.2], np.float32)
_SMOOTH_PX = 0.7  # band limit: keeps the grid's aliasing out of a hundredth of a pixel
_WINDOW_PX = 11  # small enough for the light to be even over it, large enough to hold an edge and its sides
_LEAST_CONTRAST = 0.02  # natural log units; fainter texture than 2 % is shrunk, not blown up


def mean_luma(picture: FloatArray) -> FloatArray:
    """Weigh ``(h, w, 3)`` or ``(h, w)`` linear light into ``(h, w)`` float32 luma."""
    picture = np.asarray(picture, np.float32)
    if picture.ndim == 2:
        return picture
    if picture.shape[2] == 1:
        return picture[..., 0]
    return np.ascontiguousarray(cv2.transform(picture[..., :3], _LUMA[None])).reshape(picture.shape[:2])


def luma_noise(noise: NoiseModel, luma: FloatArray) -> tuple[float, FloatArray]:
    """Return noise sigma of black and noise sigma at each ``(h, w)`` luma, linear light.

    Channels are taken as independent and equally bright.
    """
    slope = float(noise.a @ _LUMA.astype(np.float64) ** 2)
    black = float(np.sqrt(max(noise.b @ _LUMA.astype(np.float64) ** 2, 1e-16)))
    return black, np.sqrt(np.maximum(luma, 0) * np.float32(slope) + np.float32(black**2))


def normalise_texture(luma: FloatArray, *, noise_sigma: float | FloatArray, window: int = _WINDOW_PX) -> FloatArray:
    """Return locally normalised log luminance: mean near 0, spread near 1 where there is texture.

    ``luma``: ``(h, w)`` linear light. ``noise_sigma``: its noise, one number or ``(h, w)``; texture below
    it is shrunk toward 0. ``window``: side of the local square in pixels, odd. Returns ``(h, w)`` float32, finite (NaN and Inf in count as black).

    Notes: multiplying the picture by a smooth light leaves it nearly unchanged as long as the light
    stays well above the noise; shadow edges, and anything that moves, do not cancel.
    """
    luma = np.nan_to_num(np.asarray(luma, np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    sigma = np.asarray(noise_sigma, np.float32)
    foot = np.maximum(2 * sigma.min(), np.float32(1e-6))
    held = np.maximum(luma, 0) + foot
    log = cv2.GaussianBlur(np.log(held), (0, 0), _SMOOTH_PX, borderType=cv2.BORDER_REFLECT)
    mean = cv2.blur(log, (window, window), borderType=cv2.BORDER_REFLECT)
    spread = cv2.blur(log * log, (window, window), borderType=cv2.BORDER_REFLECT) - mean * mean
    # White noise keeps 1 / (4 pi s^2) of its variance through the smoothing.
    grain = (sigma / held) ** 2 / np.float32(4 * np.pi * _SMOOTH_PX**2)
    return (log - mean) / np.sqrt(np.maximum(spread, 0) + 2 * grain + np.float32(_LEAST_CONTRAST**2))
