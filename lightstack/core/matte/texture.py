"""Is the set's own texture seen in a frame, however it is lit, or is it gone?

What stands before the set hides its texture; a shadow keeps it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import LogSet
from lightstack.core.numbers import mean_channels, sum_channels
from lightstack.records import BoolArray

__all__ = ["TextureSays", "weigh_texture"]

TEXTURE_MOST = 5.0  # log-odds that texture may tell
GRAIN_SIDE = 9  # pixels: what is larger than that is shape, not texture
WINDOWS = (11, 19, 31)  # pixels to a side
INDEPENDENT = 0.15  # share of the pixels and channels that have an error of their own
ENOUGH = 25.0  # precision of a share of texture: 1 over its variance
LEAST_USUAL = 0.3  # of the set's texture: less than that in a whole frame is no share to go by
LOW_SHARE = 0.3
HALF_SEEN = 0.4  # a codec may flatten texture
LENT = 0.25  # share of a window's power in texture that must be found close by
NEAR_SIDE, ROUGH = 9, 1.5  # pixels; square of sigma that noise leaves
FAINT = 0.025  # logs
CLEAR_OF_GRAIN = 3.0  # times the grain in the set's own picture
FOREIGN, FOREIGN_MOST = 0.6, 0.85  # share of texture that is not the set's


@dataclass(frozen=True, slots=True)
class TextureSays:
    """``odds`` (h, w) that the set's own texture is gone, in logs: below 0 it is seen; ``told`` (h, w) 0..1, whether
    there is texture enough to tell; ``contrast`` (h, w): its power nearby, in variances of a pixel."""

    odds: NDArray[np.float32]
    told: NDArray[np.float32]
    contrast: NDArray[np.float32]


def weigh_texture(
    logs: NDArray[np.float32],
    known: LogSet,
    variance: NDArray[np.float32],
    *,
    changed: BoolArray | None = None,
) -> TextureSays:
    """Tell whether the set's own texture is seen, however it is lit, or gone.

    ``changed``: (h, w) where the frame differs from the set as lit: what is shaded or covered is not mixed with what
    is not.

    Notes: a matched filter. How much of the set's texture t lies in the frame's f is ``sum(t f) / sum(t t)`` over a
    window, with an error of ``1 / sqrt(sum(t t))`` in units of the noise, more where f has a texture of its own. The
    window grows until that error is small enough, so noise makes it large; a plain patch of set tells nothing. In a
    shadow as deep as the floor that was added before the logarithm, t is flatter by what the floor takes.
    """
    whole = np.ones(logs.shape[:2], np.float32)
    sums = _sum_up(logs, known, variance, whole)[0]
    usual = usual_share(sums)
    contrast = np.maximum(cv2.blur(sums[..., 1], (NEAR_SIDE, NEAR_SIDE)), 0) / 3
    classes = [whole > 0] if changed is None else [changed, ~changed]
    odds, told = np.zeros((2, *logs.shape[:2]), np.float32)
    for one, sides in zip(classes, (WINDOWS, WINDOWS[:1]), strict=False):  # a body in the set's colours is small
        if one.any():
            own_odds, own_told = _match_texture(logs, known, variance, one.astype(np.float32), sides, usual)
            odds, told = np.where(one, own_odds, odds), np.where(one, own_told, told)
    return TextureSays(odds, told, contrast)


def _match_texture(
    logs: NDArray[np.float32],
    known: LogSet,
    variance: NDArray[np.float32],
    mask: NDArray[np.float32],
    sides: Sequence[int],
    usual: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    sums, full = _sum_up(logs, known, variance, mask)
    odds: NDArray[Any] = np.zeros(mask.shape, np.float32)
    told: NDArray[Any] = odds
    near_share, own_power, near_rough = _fit_texture(sums, NEAR_SIDE)
    for side in reversed(sides):
        share, power, rough = _fit_texture(sums, side)
        precision = INDEPENDENT * side**2 * power / np.maximum(rough, 1) * usual**2
        here = np.clip((HALF_SEEN - share / usual) * precision, -TEXTURE_MOST, TEXTURE_MOST)
        lent = np.clip(own_power / (LENT * power), 0, 1)  # texture beside a place that has none shows no set there
        enough = np.clip(precision / ENOUGH, 0, 1) * np.where(here < 0, lent, 1)
        odds, told = odds + enough * (here - odds), told + enough * (1 - told)
    # nothing but the set's texture may be here: a window that is large reaches beyond a body's outline
    near = (NEAR_SIDE, NEAR_SIDE)
    count = 3 * cv2.blur(mask, near)
    other = np.maximum(near_rough - ROUGH, 0) * count
    foreign = other / (other + near_share**2 * own_power + 1e-6)
    alone = np.clip((FOREIGN_MOST - foreign) / (FOREIGN_MOST - FOREIGN), 0, 1)
    square = cv2.blur(mean_channels(full**2 - known.grain) * mask, near)
    size = np.sqrt(np.maximum(square, 0) / np.maximum(count / 3, 1e-6))
    kept = np.clip((size - FAINT) / FAINT, 0, 1)  # a codec may take faint texture away where something moves
    own_grain = cv2.blur(mean_channels(known.grain), near)
    kept *= np.clip(size**2 / np.maximum(CLEAR_OF_GRAIN * own_grain, 1e-12), 0, 1)  # grain is gone in any other frame
    trust = np.where(odds < 0, alone, kept).astype(np.float32)
    return np.asarray(odds * trust, np.float32), np.asarray(told * trust, np.float32)


def usual_share(sums: NDArray[np.float32]) -> float:
    """Return what share of the set's texture a frame usually shows, 0.3 to 1.

    ``sums``: of the whole frame. A codec, a lens or a pose that is a little off take some of it everywhere.

    Notes: of the places, weighed by how well they tell, the lower third: some of the set may be sharper than the rest,
    and where it is hidden hardly any of its texture is left, whatever is usual.
    """
    share, power, _ = _fit_texture(sums, WINDOWS[0])
    order = np.argsort(share, axis=None)
    weight = np.cumsum(power.ravel()[order])
    low = order[np.searchsorted(weight, LOW_SHARE * weight[-1])]
    usual = float(share.ravel()[low])
    return min(usual, 1.0) if usual > LEAST_USUAL else 1.0


def _sum_up(
    logs: NDArray[np.float32], known: LogSet, variance: NDArray[np.float32], mask: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return products of textures by pixel ``(h, w, 4)`` (set x frame, set squared, frame squared, mask), and the set's
    own texture ``(h, w, 3)``."""
    box: dict[str, Any] = {"ksize": (GRAIN_SIDE, GRAIN_SIDE), "borderType": cv2.BORDER_REPLICATE}
    mass = np.maximum(cv2.blur(mask, **box), 1e-6)[..., None]
    mean, mean_known = (cv2.blur(part * mask[..., None], **box) / mass for part in (logs, known.logs))
    open_now, open_set = (np.maximum(1 - known.floor * np.exp(-m), 0.02) for m in (mean, mean_known))
    full = known.logs - mean_known
    own = full * np.minimum(open_now / open_set, 1)
    seen = logs - mean
    inverse = mask[..., None] / variance
    texture = own**2 - known.grain  # below 0 where the set's picture is plain: over a window it is right on average
    products = (sum_channels(one * inverse) for one in (own * seen, texture, seen**2))
    return np.dstack([*products, mask]), full


def _fit_texture(
    sums: NDArray[np.float32], side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return the share of the set's texture that is seen in a window, that texture's power, and how rough the rest is:
    1 where nothing but noise is left; (h, w) each."""
    both, power, energy, count = np.moveaxis(cv2.blur(sums, (side, side), borderType=cv2.BORDER_REPLICATE), -1, 0)
    power = np.maximum(power, 1e-9)
    share = both / power
    return share, power, (energy - share * both) / np.maximum(3 * count, 1e-6)
