"""What kind of take a few evenly spaced frames look like: hero, empty, sweep, or neither.

Pure arithmetic on small linear pictures. A carried lamp brightens nearly the whole picture, at different
places at different times; a person changes a compact part of it before a background that stays; an empty
take does not change at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.kept_texture import measure_kept_texture

__all__ = [
    "GRID",
    "TakeLook",
    "differing_share",
    "gel_angle_degrees",
    "light_difference",
    "look_at_take",
    "name_kind",
]

GRID = (54, 96)  # (h, w) at which resting pictures of different takes are compared
SIGMAS = 6.0  # a change that noise makes once in 10^9 pixels
LEAST_CHANGE = 0.15  # of the level: below it mains flicker and exposure steps would count as motion
LEAST_STEP = 0.003  # linear: a few of the coarsest codes near black
LIT_CHANGE = 0.30  # of the ambient: a room with a lamp in it is clearly brighter
BLACK = 1e-3  # linear level that counts as nothing in ratios
REPLACED = 0.2  # of the set's texture that bright places keep: below it they are no longer the set but a body before it


@dataclass(frozen=True, slots=True)
class TakeLook:
    """What a take looks like.

    ``lit_share``: share of the picture that at some moment is clearly brighter than in the take's darkest
    frames. ``brightens``: share of all change against those frames that is brightening (1 = light only
    adds). ``travel``: 0 where the extra light always has the same pattern, towards 1 where it visits
    different places. ``moving_share``: mean share of the picture in compact change against its resting
    state; ``most_moving``: the same at its most; ``ever_moving``: share that such change ever touches.
    ``restless``: share of the picture that is off its resting state half of the time, as when the camera
    moves. ``lamp_stops``: how much brighter the brightest frame is than the darkest, over the whole picture.
    ``rest``, ``dark``: ``GRID + (3,)`` float32 linear, temporal median and mean of the darkest frames.
    ``gel``: (3,) mean colour of the extra light, largest channel 1. ``kept``: how much of the set's texture its
    brightened places keep at most (two standard errors above what was found); NaN where none is to be seen.
    """

    lit_share: float
    brightens: float
    travel: float
    moving_share: float
    most_moving: float
    ever_moving: float
    restless: float
    lamp_stops: float
    rest: NDArray[np.float32]
    dark: NDArray[np.float32]
    gel: NDArray[np.float64]
    kept: float = nan


def look_at_take(frames: NDArray[np.float32]) -> TakeLook:
    """Measure evenly spaced frames of one take.

    Parameters
    ----------
    frames : (n, h, w, 3) float32 linear light, n >= 1, small (about 160 wide), in order of time.

    Notes
    -----
    Costs a few sorts of n small pictures. Before a set without texture somebody in clothes far brighter than the room
    can pass for a lamp.
    """
    levels = np.nan_to_num(frames.astype(np.float32)).mean(axis=3)
    sigma = _estimate_noise(levels)
    means = levels.mean(axis=(1, 2))
    darkest = np.argsort(means, kind="stable")[: max(1, len(means) // 6)]
    dark = np.asarray(frames[darkest].mean(axis=0), np.float32)
    dark_level, rest_level = dark.mean(axis=2), np.median(levels, axis=0)
    extra = levels - dark_level
    least = SIGMAS * sigma
    up = extra > np.maximum(least, LEAST_STEP + LIT_CHANGE * dark_level)
    down = extra < -np.maximum(least, LEAST_STEP + LEAST_CHANGE * dark_level)
    moving = _find_motion(levels, rest_level, least / 2)  # smoothing takes two thirds of the noise away
    shares = moving.mean(axis=(1, 2))
    kept, error = measure_kept_texture(frames, darkest)
    return TakeLook(
        lit_share=float(up.any(axis=0).mean()),
        brightens=float(up.sum() / max(1, up.sum() + down.sum())),
        travel=_measure_travel(np.where(up, extra, 0)),
        moving_share=float(shares.mean()),
        most_moving=float(shares.max()),
        ever_moving=float(moving.any(axis=0).mean()),
        restless=_measure_restlessness(levels, rest_level, sigma),
        lamp_stops=float(np.log2((means.max() + BLACK) / (max(means.min(), 0) + BLACK))),
        rest=_shrink(np.median(frames, axis=0)),
        dark=_shrink(dark),
        gel=_measure_gel(frames, dark, up),
        kept=kept + 2 * error,
    )


def name_kind(look: TakeLook) -> str:
    """Name what a take looks like by itself: "sweep", "moving", "still" or "unsteady".

    "moving" may be a hero or a prop pass, "still" an empty take; "unsteady" is none of them, e.g. a camera
    that pans.
    """
    replaced = look.kept < REPLACED
    if look.lit_share > 0.4 and look.brightens > 0.7 and look.travel > 0.1 and not replaced:
        return "sweep"
    if look.restless > 0.3:
        return "unsteady"
    return "moving" if look.most_moving > 0.004 else "still"


def light_difference(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Return the mean over the picture of how far two resting pictures differ, in stops, unsigned.

    ``a``, ``b``: ``GRID + (3,)`` linear. A place counts with four stops at most.
    """
    level_a, level_b = (np.maximum(picture.mean(axis=2), 0) + BLACK for picture in (a, b))
    return float(np.minimum(np.abs(np.log2(level_a / level_b)), 4).mean())


def differing_share(a: NDArray[np.float32], b: NDArray[np.float32]) -> float:
    """Return the share of the picture in which two resting pictures clearly differ.

    ``a``, ``b``: ``GRID + (3,)`` linear. An overall difference of exposure does not count.
    """
    level_a, level_b = (np.maximum(picture.mean(axis=2), 0) + BLACK for picture in (a, b))
    stops = np.log2(level_a / level_b)
    return float((np.abs(stops - np.median(stops)) > 0.3).mean())


def gel_angle_degrees(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Return the angle between two colours of light, in degrees; 0 = same hue and saturation."""
    cosine = float(a @ b) / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-12)
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def _estimate_noise(levels: NDArray[np.float32]) -> float:
    """Estimate the noise of one frame: the least of what time and what fine detail suggest.

    References
    ----------
    Donoho and Johnstone 1994, "Ideal spatial adaptation by wavelet shrinkage", Biometrika 81(3): the median
    absolute value of the finest diagonal detail over 0.6745.
    """
    if len(levels) < 2 or min(levels.shape[1:]) < 2:
        return 0.0
    changes = np.diff(levels, axis=0)
    in_time = min(_spread(change) for change in changes) / np.sqrt(2)
    detail = (levels[:, 1:, 1:] - levels[:, 1:, :-1] - levels[:, :-1, 1:] + levels[:, :-1, :-1]) / 2
    return float(min(in_time, min(_spread(frame) for frame in detail)))


def _spread(values: NDArray[np.float32]) -> float:
    return float(np.median(np.abs(values - np.median(values))) / 0.6745)


def _find_motion(levels: NDArray[np.float32], rest: NDArray[np.float32], least: float) -> NDArray[np.bool_]:
    """Mark compact change against the resting state, (n, h, w).

    What a pixel does all the time (grain, a mains beat, an edge after a bump half-way) is its own spread and
    does not count, nor do specks and thin edges.
    """
    change = np.asarray([cv2.blur(level - rest, (3, 3)) for level in levels])
    spread = np.median(np.abs(change), axis=0) / 0.6745
    changed = np.abs(change) > np.maximum(
        np.maximum(least, LEAST_STEP + LEAST_CHANGE * np.maximum(rest, 0)), SIGMAS * spread
    )
    kernel = np.ones((3, 3), np.uint8)
    opened = [cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, kernel) for mask in changed]
    return np.asarray(opened, bool)


def _measure_restlessness(levels: NDArray[np.float32], rest: NDArray[np.float32], sigma: float) -> float:
    """Return the share of the picture whose typical change is far above noise: no grain does that."""
    typical = np.median(np.abs(levels - rest), axis=0)
    return float((typical > 0.25 * np.maximum(rest, 0) + max(BLACK, 2 * sigma)).mean())


def _measure_travel(extra: NDArray[np.float32]) -> float:
    """Return 1 minus the mean likeness (cosine) of the extra light's patterns in lit frames."""
    patterns = np.sqrt(np.maximum(extra, 0)).reshape(len(extra), -1).astype(np.float64)
    lengths = np.linalg.norm(patterns, axis=1)
    lit = lengths > 0.1 * lengths.max() if lengths.max() > 0 else np.zeros(len(lengths), bool)
    if lit.sum() < 2:
        return 0.0
    unit = patterns[lit] / lengths[lit, None]
    likeness = unit @ unit.T
    count = len(unit)
    return float(1 - (likeness.sum() - count) / (count * (count - 1)))


def _measure_gel(
    frames: NDArray[np.float32], dark: NDArray[np.float32], up: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return the mean colour of the light that was added, largest channel 1; white where none was."""
    total = np.zeros(3)
    for frame, mask in zip(frames, up, strict=True):
        total += np.clip(frame - dark, 0, 4)[mask].sum(axis=0, dtype=np.float64)
    return total / total.max() if total.max() > 0 else np.ones(3)


def _shrink(picture: NDArray[np.floating]) -> NDArray[np.float32]:
    return np.asarray(
        cv2.resize(picture.astype(np.float32), GRID[::-1], interpolation=cv2.INTER_AREA), np.float32
    )
