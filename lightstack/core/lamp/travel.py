"""A light that travels: how much of every lamp still goes into each frame of a path through the lamp map.

Weights come from compact kernels round the path's place. Their radius follows from how close the stills lie there, so
a few stills take part wherever it is, and their first moment is pulled to the place (a local maximum-entropy fit), so
that the light moves between stills rather than from one to the next. Every step is smooth: no still enters or leaves
with a jump.

References: Wendland 1995, "Piecewise polynomial, positive definite and compactly supported radial functions of minimal
degree" (the C2 kernel). Arroyo and Ortiz 2006, "Local maximum-entropy approximation schemes", Int. J. Numer. Meth.
Engng 65 (both from memory; here the entropy's multiplier is held down by a ridge).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import SettingError
from lightstack.records import TravelPlan

Array = NDArray[np.float64]

CROWD = 1.3  # sum of the kernels at a place: how many stills take part
MOST_STILLS = 6  # at any time
ONE_PLACE = 1e-9  # of the map's units: a lamp that stood still
LEAST_RADIUS = 0.25  # of the usual spacing
RIDGE = 0.02  # holds the pull towards the place down where stills lie on one side of it only
NEWTON_STEPS, BISECTIONS = 30, 60
REACH = 1.0  # spacings from where the lamp has been that a path may go
LEAST_CHANGE, CHANGE_PER_SPACING = 0.15, 1.2  # of all weight from one frame to the next
EASINGS, EASE_REACH = 60, 5  # rounds; frames
FAR_SOFT = 0.3  # of the distance: how gradually the nearest place of visited ones changes far outside


def plan_travel(places: Array, path: Array) -> TravelPlan:
    """Plan a light's travel.

    ``places``: (K, d) of the lamp stills in the map, any d. ``path``: (F, d) of the light, frame by frame, in the same
    units. A path that leaves where the lamp has been is brought back to the border, see ``TravelPlan.clamped``.

    Raises SettingError for no stills, or places and path that do not fit each other or are no numbers.

    Notes: rows sum to 1, so the light's total passes smoothly from one still's own total to the next one's. Costs
    F x K only; a still at the same place as another shares with it.
    """
    places, path = np.atleast_2d(np.asarray(places, float)), np.atleast_2d(np.asarray(path, float))
    if places.size == 0 or places.shape[1] != path.shape[1]:
        raise SettingError(f"{places.shape} places of stills and a path {path.shape} do not fit each other")
    if not (np.isfinite(places).all() and np.isfinite(path).all()):
        raise SettingError("a place of the light is no number; check the path")
    spacing = usual_spacing(places)
    kept, moved = clamp_path(places, path, spacing)
    offsets = places[None] - kept[:, None]
    distance = np.linalg.norm(offsets, axis=2)
    radius = find_radius(distance, LEAST_RADIUS * spacing)
    kernel = wendland(distance / radius[:, None])
    weights = drop_least(pull_moment(kernel, offsets / radius[:, None, None]))
    return TravelPlan(ease_weights(weights, find_speed(places, path)), moved)


def spread_stills(places: Array, count: int, chosen: Sequence[int] = ()) -> list[int]:
    """Choose frames all over where the lamp has been: each next one is farthest from those chosen before.

    ``places``: (n, d). ``chosen``: indices to start from, such as the key frames. Returns them and more, at most
    ``count`` and never fewer than ``chosen``, in the order of choosing.

    Notes: key frames are where the set is lit brightest; a sweep's dim stretches, such as behind the camera, have none.
    A light that travels there needs them.

    References: Gonzalez 1985, "Clustering to minimize the maximum intercluster distance", Theoretical Computer Science
    38 (no place is then more than twice as far from a still as with the best choice).
    """
    places = np.asarray(places, float)
    picked = list(chosen) or [0]
    apart = np.min([np.linalg.norm(places - places[k], axis=1) for k in picked], axis=0)
    while len(picked) < min(count, len(places)) and apart.max() > 0:
        picked.append(int(apart.argmax()))
        apart = np.minimum(apart, np.linalg.norm(places - places[picked[-1]], axis=1))
    return picked


def find_speed(places: Array, path: Array) -> Array:
    """Give how fast a path (F, d) goes, (F - 1,), in distances to the second nearest still: 1 from one to the next."""
    apart = np.sort(np.linalg.norm(places[None] - path[:, None], axis=2), axis=1)[:, min(1, len(places) - 1)]
    step = np.linalg.norm(np.diff(path, axis=0), axis=1)
    return np.asarray(step / np.maximum(np.minimum(apart[:-1], apart[1:]), 1e-12))


def ease_weights(weights: Array, speed: Array) -> Array:
    """Spread over neighbouring frames what changes faster than the light moves, (F, K); rows keep their sum.

    ``speed`` (F - 1,): of the path as asked, see `find_speed`. Where the lamp's way jumps (from one wall to the
    other, or where a path is brought back to the border), the nearest stills change all at once though the light
    hardly moved: that shows as a pop.
    """
    eased = weights.copy()
    allowed = np.maximum(LEAST_CHANGE, CHANGE_PER_SPACING * speed)
    for _ in range(EASINGS):
        fast = 0.5 * np.abs(np.diff(eased, axis=0)).sum(axis=1) > allowed
        if not fast.any():
            break
        near = np.zeros(len(eased))
        near[:-1][fast] = near[1:][fast] = 1
        share = np.convolve(near, np.ones(EASE_REACH), mode="same") if len(near) >= EASE_REACH else near
        share = 0.5 * np.minimum(share, 1)[:, None]
        padded = np.pad(eased, ((1, 1), (0, 0)), mode="edge")
        eased = (1 - share) * eased + share * 0.5 * (padded[:-2] + padded[2:])
    return np.asarray(eased / eased.sum(axis=1, keepdims=True))


def wendland(share: Array) -> Array:
    """Give the C2 kernel of compact support: 1 at 0, 0 from 1 on."""
    return np.asarray(np.maximum(1 - share, 0) ** 4 * (4 * share + 1))


def usual_spacing(places: Array) -> float:
    """Give the median distance from a still to its second nearest, the next ones on both sides along a way; 1 where all
    are at one place."""
    if len(places) < 3:
        spacing = float(np.ptp(places, axis=0).max())
    else:
        apart = np.sort(np.linalg.norm(places[:, None] - places[None], axis=2), axis=1)
        spacing = float(np.median(apart[:, 2]))
    return spacing if spacing > ONE_PLACE else 1.0


def clamp_path(places: Array, path: Array, spacing: float) -> tuple[Array, Array]:
    """Bring a path back to within a spacing or so of the places, (F, d), and give how far it was moved, (F,)."""
    square = ((path[:, None] - places[None]) ** 2).sum(axis=2)
    least = square.min(axis=1)
    soft = spacing**2 + FAR_SOFT**2 * least
    share = np.exp(-(square - least[:, None]) / (0.5 * soft[:, None]))
    share /= share.sum(axis=1, keepdims=True)
    out = path - share @ places
    distance = np.linalg.norm(out, axis=1)
    bent = bend_down(distance / (REACH * spacing)) * REACH * spacing
    kept = path - out * (1 - bent / np.maximum(distance, 1e-12))[:, None]
    return kept, np.linalg.norm(path - kept, axis=1)


def bend_down(value: Array) -> Array:
    """Leave what is up to 1, bend the rest down with a smooth slope to end at 1.5."""
    over = np.clip(value - 1, 0, 1)
    return np.asarray(np.minimum(value, 2) - over**2 / 2)


def find_radius(distance: Array, least: float) -> Array:
    """Give the radius (F,) at which the kernels of (F, K) distances sum to ``CROWD``, or ``least``."""
    wanted = min(CROWD, 0.9 * distance.shape[1])
    low = np.full(len(distance), least)
    high = np.maximum(distance.max(axis=1) * 60 + least, 2 * least)
    for _ in range(BISECTIONS):
        middle = np.sqrt(low * high)
        enough = wendland(distance / middle[:, None]).sum(axis=1) >= wanted
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.asarray(high)


def pull_moment(kernel: Array, offsets: Array) -> Array:
    """Tilt kernels (F, K) so that their mean offset (F, K, d), in radii, comes near nought; rows sum to 1.

    Notes: weights kernel x exp(tilt . offset); the tilt is the minimum of log(sum) + ridge x tilt^2 / 2, which is
    convex and so changes smoothly with the place.
    """
    tilt = np.zeros((len(kernel), offsets.shape[2]))
    for _ in range(NEWTON_STEPS):
        weights = _tilt(kernel, offsets, tilt)
        mean = np.einsum("fk,fkd->fd", weights, offsets)
        spread = np.einsum("fk,fki,fkj->fij", weights, offsets, offsets) - mean[:, :, None] * mean[:, None]
        slope = mean + RIDGE * tilt
        step = np.linalg.solve(spread + RIDGE * np.eye(offsets.shape[2]), slope[..., None])[..., 0]
        length = np.linalg.norm(step, axis=1, keepdims=True)
        tilt = tilt - step * np.minimum(1, 2.0 / np.maximum(length, 1e-12))
    return _tilt(kernel, offsets, tilt)


def _tilt(kernel: Array, offsets: Array, tilt: Array) -> Array:
    power = np.einsum("fkd,fd->fk", offsets, tilt)
    power -= np.where(kernel > 0, power, -np.inf).max(axis=1, keepdims=True)
    weights = kernel * np.exp(np.minimum(power, 0))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def drop_least(weights: Array) -> Array:
    """Keep the ``MOST_STILLS`` largest of each row less what the next one has, so that none is cut off.

    Where more than these are alike to the bit, as stills of a lamp that stood still are, the first of them share.
    """
    if weights.shape[1] <= MOST_STILLS:
        return weights
    next_one = np.partition(weights, -MOST_STILLS - 1, axis=1)[:, -MOST_STILLS - 1, None]
    kept = np.where(weights > next_one, weights - next_one * (next_one / np.maximum(weights, 1e-300)), 0)
    alike = ~kept.any(axis=1)
    if alike.any():
        first = np.argsort(-weights[alike], axis=1, kind="stable")[:, :MOST_STILLS]
        kept[np.flatnonzero(alike)[:, None], first] = 1
    return np.asarray(kept / kept.sum(axis=1, keepdims=True))
