"""Grain on top of what is there: a place that is lit more gets what the camera would have made there, never twice."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.grain.detail import detail_share
from lightstack.core.grain.field import GrainBelow, make_model, paint_grain
from lightstack.core.grain.measure import LEVEL_SIDE
from lightstack.records import GrainProfile

__all__ = ["full_grain", "top_up_grain"]


def top_up_grain(
    relit: NDArray[np.float32],
    hero: NDArray[np.float32],
    patched_share: NDArray[np.float32] | None,
    profile: GrainProfile,
    *,
    seed: int,
    frame: int,
    field: int = 0,
    amount: float = 1.0,
) -> NDArray[np.float32]:
    """Return the grain to add to a relit frame, (H, W, 3) float32 linear light.

    Parameters
    ----------
    relit : (H, W, 3) the hero with its light, no new grain yet.
    hero : (H, W, 3) the same without the light, with its own noise.
    patched_share : (H, W), 0 to 1: how much of each pixel has no grain of its own; None: all have.
    profile : the camera's grain.
    seed, frame, field : grain is the same for the same three and has nothing in common where one differs.
    amount : of the standard deviation.

    Notes: what is added has the variance of the relit level less that of the grain already there, (1 - share) squared
    times the hero's; it is exactly 0 where nothing changed.
    """
    relit, hero = _whole(relit), _whole(hero)
    share = None
    if patched_share is not None:
        share = np.clip(np.ascontiguousarray(patched_share, np.float32), 0, 1)
    below = GrainBelow(_smooth(hero), share, relit, hero, detail_share(hero, profile))
    model, detail = make_model(profile), detail_share(relit, profile)
    grain = paint_grain(model, _smooth(relit), below, detail=detail, seed=seed, frame=frame, field=field)
    return grain if amount == 1 else grain * np.float32(amount)


def full_grain(
    picture: NDArray[np.float32],
    profile: GrainProfile,
    *,
    seed: int,
    frame: int,
    field: int = 0,
    amount: float = 1.0,
) -> NDArray[np.float32]:
    """Return the grain to add to a picture (H, W, 3) that has none at all, float32 linear light.

    Parameters as of `top_up_grain`.
    """
    whole = _whole(picture)
    model, detail = make_model(profile), detail_share(whole, profile)
    grain = paint_grain(model, _smooth(whole), detail=detail, seed=seed, frame=frame, field=field)
    return grain if amount == 1 else grain * np.float32(amount)


def _whole(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.ascontiguousarray(picture, np.float32)


def _smooth(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture's local level, (H, W, 3): no pixel's noise chooses its own strength."""
    return np.asarray(cv2.blur(picture, (LEVEL_SIDE, LEVEL_SIDE), borderType=cv2.BORDER_REFLECT_101), np.float32)
