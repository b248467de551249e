"""One picture against another: from no idea at all to a hundredth of a pixel."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.register.poses import (
    MoveFit,
    apply_move,
    corner_spread_px,
    cut_grid,
    fit_move,
    make_template,
    tally_frame,
)
from lightstack.core.register.texture import luma_noise, normalise_texture
from lightstack.core.warp import corner_shift_px, scale_pose
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["Alignment", "align_luma", "align_texture", "guess_noise", "texture_of"]

_SETTLED_PX = 0.003
_SMALLEST = 48  # proxy pixels of the shorter side below which a halved picture holds too few cells


@dataclass(frozen=True, slots=True)
class Alignment:
    """``pose``: reference -> moving, ``(3, 3)``, pixels of the pictures that were compared."""

    pose: NDArray[np.float64]
    fit: MoveFit
    spread_px: float
    converged: bool


def guess_noise(luma: FloatArray) -> float:
    """Estimate the noise sigma of a single ``(h, w)`` picture from what neither line nor ramp explains.

    References: Immerkaer 1996, "Fast noise variance estimation", CVIU 64(2):300, eq. 1 (mask) with a
    median in place of the mean, so that texture counts less.
    """
    if min(luma.shape) < 3:
        return 1e-6
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32) / 6
    left = cv2.filter2D(np.nan_to_num(luma), cv2.CV_32F, mask)[1:-1, 1:-1]
    return max(float(1.4826 * np.median(np.abs(left))), 1e-6)


def texture_of(
    luma: FloatArray, *, noise: NoiseModel | None, averaged: int = 1, foot: float | None = None
) -> FloatArray:
    """Return the normalised texture of ``(h, w)`` luma that is a mean of ``averaged`` frames.

    The foot of the logarithm follows the noise of a *single* frame, so that a mean and a frame compare.
    """
    if noise is None:
        sigma = guess_noise(luma)
        return normalise_texture(luma, noise_sigma=sigma, foot=foot)
    black, level = luma_noise(noise, luma)
    held = 2 * black if foot is None else foot
    return normalise_texture(luma, noise_sigma=level / np.float32(np.sqrt(averaged)), foot=held)


def align_texture(
    reference: FloatArray,
    moving: FloatArray,
    *,
    model: str = "euclidean",
    start: NDArray[np.float64] | None = None,
    mask: BoolArray | None = None,
    rounds: int = 12,
) -> Alignment:
    """Refine a pose between two textures by Gauss-Newton steps.

    ``mask``: ``(h, w)`` bool in the moving picture, where to look. Never raises for pictures without
    texture or that do not match: ``converged`` is False and the pose is the start.
    """
    grid = cut_grid(reference.shape)
    first = np.eye(3) if start is None else np.asarray(start, np.float64)
    pose, last, fit = first, np.inf, None
    limit = 0.2 * min(reference.shape)
    for _ in range(rounds):
        template = make_template(reference, pose, grid=grid, usable=mask)
        fit = fit_move(tally_frame(moving, template), grid, model=model)
        moved = apply_move(np.eye(3), fit.values, grid)
        last = corner_shift_px(moved, grid.size)
        if not np.isfinite(last) or last > limit:
            return Alignment(first, fit, np.inf, False)
        pose = apply_move(pose, fit.values, grid)
        if last < _SETTLED_PX:
            break
    assert fit is not None
    spread = corner_spread_px(fit.covariance, grid)
    # Pure noise reaches an agreement of 0.1 and a spread of 0.3 px; the less agrees, the surer it must be.
    believed = 0.5 * float(np.clip((fit.agreement - 0.05) / 0.2, 0, 1))
    good = bool(last < max(0.03, spread) and spread < believed)
    return Alignment(pose if np.isfinite(pose).all() else first, fit, spread, good)


def align_luma(
    reference: FloatArray,
    moving: FloatArray,
    *,
    model: str = "euclidean",
    start: NDArray[np.float64] | None = None,
    mask: BoolArray | None = None,
    noise: NoiseModel | None = None,
    averaged: tuple[int, int] = (1, 1),
) -> Alignment:
    """Measure a pose between two ``(h, w)`` lumas from coarse to fine.

    ``start``: a first guess; without one the whole-picture correlation of the textures gives it.
    ``averaged``: how many frames each picture is a mean of.
    """
    levels = [1]
    while min(reference.shape) // (levels[-1] * 2) >= _SMALLEST and levels[-1] < 8:
        levels.append(levels[-1] * 2)
    pose = start
    result = None
    for level in reversed(levels):
        still, changed = _shrink(reference, level), _shrink(moving, level)
        held = None if mask is None else _shrink(mask.astype(np.float32), level) > 0.99
        foot = _common_foot(still, changed, noise, level)
        first = texture_of(still, noise=noise, averaged=averaged[0] * level**2, foot=foot)
        second = texture_of(changed, noise=noise, averaged=averaged[1] * level**2, foot=foot)
        here = _correlate(first, second) if pose is None else scale_pose(pose, level)
        kind = model if level == 1 else ("translation" if model == "translation" else "euclidean")
        result = align_texture(first, second, model=kind, start=here, mask=held)
        pose = scale_pose(result.pose, 1 / level)
    assert result is not None
    return result


def _common_foot(one: FloatArray, two: FloatArray, noise: NoiseModel | None, level: int) -> float:
    """Return the foot of the logarithm for two pictures shrunk by ``level``."""
    if noise is None:
        return 2 * max(guess_noise(one), guess_noise(two))
    return 2 * luma_noise(noise, one[:1, :1])[0] / level


def _shrink(image: FloatArray, level: int) -> FloatArray:
    """Box-average by ``level``, dropping the odd rest at the right and the bottom."""
    if level == 1:
        return image
    rows, columns = image.shape[0] // level, image.shape[1] // level
    cut = np.ascontiguousarray(image[: rows * level, : columns * level])
    return np.asarray(cv2.resize(cut, (columns, rows), interpolation=cv2.INTER_AREA), np.float32)


def _correlate(reference: FloatArray, moving: FloatArray) -> NDArray[np.float64]:
    """Return the whole-pixel shift at which two textures agree best, as a pose."""
    size = tuple(2 * side for side in reference.shape)  # padded: no wrap-round
    # Rounding the textures off keeps a lamp's bright rim from outvoting the room.
    product = np.fft.rfft2(np.tanh(moving), size) * np.conj(np.fft.rfft2(np.tanh(reference), size))
    surface = np.fft.irfft2(product, size)
    row, column = np.unravel_index(int(np.argmax(surface)), size)
    pose = np.eye(3)
    pose[0, 2] = column - size[1] if column >= reference.shape[1] else column
    pose[1, 2] = row - size[0] if row >= reference.shape[0] else row
    return pose
