"""Lamp stills blended by weights, and what the lamp or its carrier covered in them filled in.

A blend that leaves a covered place out takes it from the other stills, whose light stands elsewhere: a silhouette shows
when the light goes by. So what is covered is first filled from neighbours, brought to this still's level along the
border of the hole; then the same stills take part everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.lay.patch import carry_inwards
from lightstack.records import FloatArray

SURE = 0.99  # validity that counts as open
SOFT = 0.25  # share of the weights below which what is valid fades into the stills as they are
SMOOTH_PX = 2.0  # sigma of the ratio of levels, at the size it is measured
MOST_STOPS = 4.0
NEAREST, NEW_SHARE = 3, 0.1  # fillers taken in any case; share of what is missing that a farther one must show
BEND_RIDGE = 0.01  # holds curvature down where a hole is seen from one side only
BULGE = 0.3  # of the range round a hole, by which the curve may leave it inside


def blend_stills(
    stills: FloatArray, valid: FloatArray, weights: Sequence[float] | NDArray,
    *, lift: Sequence[NDArray | None] | NDArray | None = None, soft: float = SOFT,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:  # fmt: skip
    """Blend rows of lamp stills.

    ``stills``: (K, h, W, 3) light, with covered places filled (``fill_still``). ``valid``: (K, h, W) 0..1, how far each
    may be believed. ``weights``: (K,). ``lift``: (K, h, W) stops by which each changes first, see
    ``travel_shade.shift_light``. ``soft``: share of the weights below which what is valid fades into the stills as they
    are. Returns the light (h, W, 3), and what share of the weights was valid, (h, W).

    Notes: sum(w v L) / sum(w v) x sum(w), and where the share s of valid weights runs out, the mix
    with sum(w L) by s^2 (3 - 2 s). Light that is no number counts as not valid. Any rows, so it goes band by band.
    """
    blend = StillBlend(stills.shape[1:3])
    for k, (light, trust, weight) in enumerate(zip(stills, valid, weights, strict=True)):
        blend.add(light, trust, float(weight), None if lift is None else lift[k])
    return blend.finish(soft=soft)


class StillBlend:
    """A blend as its stills come, one by one; ``blend_stills`` without all of them at once. ``size``: (h, W)."""

    def __init__(self, size: tuple[int, ...]) -> None:
        self._whole, self._believed = np.zeros((*size, 3), np.float32), np.zeros((*size, 3), np.float32)
        self._share, self._total = np.zeros(size, np.float32), 0.0

    def add(self, light: FloatArray, valid: FloatArray, weight: float, lift: FloatArray | None) -> None:
        """Take a still in: ``light`` (h, W, 3), ``valid`` (h, W), ``lift`` stops (h, W) or None for none."""
        self._total += weight
        if weight == 0:
            return
        gain = np.ones((1, 1), np.float32) if lift is None else np.exp2(np.asarray(lift, np.float32))
        pictures = (np.ascontiguousarray(picture, np.float32) for picture in (light, valid))
        _add_still(*pictures, np.float32(weight), gain, self._whole, self._believed, self._share)

    def finish(self, *, soft: float = SOFT) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return light (h, W, 3) and the share of the weights that was valid, (h, W); the blend is used up by it."""
        _settle(self._whole, self._believed, self._share, np.float32(max(self._total, 1e-30)), np.float32(soft))
        return self._whole, self._share


@compile_loop()
def _add_still(light, valid, weight, gain, whole, believed, share):  # type: ignore[no-untyped-def]
    """Add one still to the sums; ``gain`` is (h, W), or holds one number for all."""
    by_pixel = gain.shape == share.shape
    for y in range(share.shape[0]):
        for x in range(share.shape[1]):
            red, green, blue = light[y, x, 0], light[y, x, 1], light[y, x, 2]
            if not np.isfinite(red + green + blue):
                continue
            lifted = gain[y, x] if by_pixel else gain[0, 0]
            trust = min(max(valid[y, x], np.float32(0)), np.float32(1))
            red, green, blue = weight * red * lifted, weight * green * lifted, weight * blue * lifted
            whole[y, x, 0] += red
            whole[y, x, 1] += green
            whole[y, x, 2] += blue
            believed[y, x, 0] += trust * red
            believed[y, x, 1] += trust * green
            believed[y, x, 2] += trust * blue
            share[y, x] += weight * trust


@compile_loop(error_model="numpy")
def _settle(whole, believed, share, total, soft):  # type: ignore[no-untyped-def]
    """Turn the sums into the light, in place of ``whole``, and into the share of the weights that was valid."""
    for y in range(share.shape[0]):
        for x in range(share.shape[1]):
            part = share[y, x] / total
            share[y, x] = part
            step = min(max(part / soft, np.float32(0)), np.float32(1))
            step = step * step * (np.float32(3) - np.float32(2) * step)
            for c in range(3):
                normal = believed[y, x, c] / max(part, np.float32(1e-6))
                whole[y, x, c] += step * (normal - whole[y, x, c])


def tighten_valid(valid: FloatArray, *, rim_px: float) -> NDArray[np.float32]:
    """Give validity (H, W) that keeps a rim of ``rim_px`` away from all that is covered, with a soft border.

    Notes: a plate made by a maximum may keep the dark rim of a body open, since something brighter wins there. A sum
    takes every still as it is, and there the rim shows as an outline. 4 of 320 pixels across is what masks leave open.
    """
    open_part = (np.asarray(valid) > SURE).astype(np.uint8)
    away = cv2.distanceTransform(open_part, cv2.DIST_L2, 3) if not open_part.all() else np.full(valid.shape, np.inf)
    inside = np.clip((away - rim_px) / max(rim_px / 2, 1.0), 0, 1)
    return np.asarray(np.minimum(valid, inside), np.float32)


def choose_fillers(valid: FloatArray, apart: NDArray[np.float64], index: int, *, most: int = 8) -> list[int]:
    """Choose the stills that fill one's covered places, the nearest first, at most ``most``.

    ``valid``: (K, h, w) at a small size. ``apart``: (K,) distances in the map. The nearest few, then those that show
    what none before showed: whoever carries the lamp may stand in one place over many stills.
    """
    missing = np.asarray(valid[index]) < SURE
    chosen: list[int] = []
    for k in np.argsort(apart, kind="stable").tolist():
        if k == index or len(chosen) >= most:
            continue
        opened = missing & (np.asarray(valid[k]) >= SURE)
        if len(chosen) < NEAREST or opened.sum() > NEW_SHARE * max(int(missing.sum()), 1):
            chosen.append(k)
            missing &= ~opened
    return chosen


def match_levels(
    still: FloatArray, valid: FloatArray, others: FloatArray, others_valid: FloatArray, *, floor: float
) -> NDArray[np.float32]:
    """Give by how many stops each of ``others`` (M, h, w, 3) must be lifted to be this still, (M, h, w, 3).

    Measured where both are open, smoothed a little, and carried into the rest smoothly from the border. ``floor``:
    light that is mostly noise. Meant for survey size: enlarged, it serves the full-size picture.
    """
    stops = np.empty(others.shape, np.float32)
    for k, (other, trust) in enumerate(zip(others, others_valid, strict=True)):
        known = (np.asarray(valid) > SURE) & (np.asarray(trust) > SURE)
        known &= np.isfinite(still).all(axis=2) & np.isfinite(other).all(axis=2)
        if not known.any():
            stops[k] = 0
            continue
        trend = find_trend(_compare(still, other, known, floor), known)
        rest = _compare(still, np.nan_to_num(other) * np.exp2(trend), known, floor)
        stops[k] = np.clip(trend + carry_inwards(rest, known), -MOST_STOPS, MOST_STOPS)
    return stops


def _compare(still: FloatArray, other: FloatArray, known: NDArray[np.bool_], floor: float) -> NDArray[np.float32]:
    """Stops from one picture to the other, smoothed over known places. Near a border that leans to one side, so both
    pictures should slope alike."""
    mine, theirs = (np.maximum(_smooth_known(light, known), 0) + floor for light in (still, other))
    return np.asarray(np.clip(np.log2(mine / theirs), -MOST_STOPS, MOST_STOPS), np.float32)


def find_trend(ratio: NDArray[np.float32], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Give the gentle curve that a field (h, w, 3) follows round what is not ``known``, hardly beyond what it is there.

    Notes: carried inwards alone, a field that slopes would flatten behind the border, which shows as a crease.
    """
    if known.all():
        return np.zeros_like(ratio)
    away = cv2.distanceTransform(known.astype(np.uint8), cv2.DIST_L2, 3)
    reach = 0.3 * np.sqrt(float((~known).sum())) + 2
    weight = np.where(known, np.exp(-away / reach), 0).ravel().astype(np.float64)
    y, x = (axis.ravel().astype(np.float64) for axis in np.mgrid[: known.shape[0], : known.shape[1]])
    middle = np.array([x[weight > 0.1].mean(), y[weight > 0.1].mean()]) if (weight > 0.1).any() else np.zeros(2)
    x, y = (x - middle[0]) / reach, (y - middle[1]) / reach
    basis = np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
    normal = (basis * weight[:, None]).T @ basis + weight.sum() * np.diag([1e-6, 1e-6, 1e-6, *[BEND_RIDGE] * 3])
    flat = np.where(known[..., None], ratio, 0).reshape(-1, ratio.shape[2]).astype(np.float64)
    plane = basis @ np.linalg.solve(normal, (basis * weight[:, None]).T @ flat)
    near = flat[weight > 0.1]
    if len(near):
        low, high = near.min(axis=0), near.max(axis=0)
        plane = np.clip(plane, low - BULGE * (high - low), high + BULGE * (high - low))
    return plane.reshape(ratio.shape).astype(np.float32)


def _smooth_known(light: FloatArray, known: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Blur over known places only."""
    weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), SMOOTH_PX)
    blurred = cv2.GaussianBlur(np.where(known[..., None], light, 0).astype(np.float32), (0, 0), SMOOTH_PX)
    return np.asarray(blurred / np.maximum(weight, 1e-6)[..., None], np.float32)


def fill_still(
    still: FloatArray, valid: FloatArray, others: FloatArray, others_valid: FloatArray,
    *, shares: Sequence[float] | NDArray, stops: FloatArray,
) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:  # fmt: skip
    """Fill what is covered in one lamp still from its neighbours in the map.

    ``still``: (h, W, 3), ``valid``: (h, W) 0..1 with a soft border. ``others``: (M, h, W, 3) and ``others_valid``
    (M, h, W); ``shares``: (M,) how much each counts; ``stops``: (M, h, W, 3) of ``match_levels``. Returns the still,
    what of it may be believed now (h, W), and the share of the area that was filled.

    Notes: where no neighbour is open either, the still stays as it is and ``valid`` says so. Whoever carries the lamp
    may stand in one place over several stills: take those of ``choose_fillers``, with shares that fall fast, so that
    far ones only count where no near one is open. Any rows.
    """
    total, weight = np.zeros(still.shape, np.float32), np.zeros(still.shape[:2], np.float32)
    for other, trust, share, lift in zip(others, others_valid, shares, stops, strict=True):
        part = np.float32(share) * np.clip(trust, 0, 1) ** 2
        part = np.where(np.isfinite(other).all(axis=2), part, 0).astype(np.float32)
        total += part[..., None] * np.nan_to_num(other) * np.exp2(lift)
        weight += part
    known = weight > 1e-4 * float(np.sum(shares))
    guess = np.where(known[..., None], total / np.maximum(weight, 1e-12)[..., None], 0)
    open_share = np.where(np.isfinite(still).all(axis=2), np.clip(valid, 0, 1), 0)
    keep = np.where(known, open_share, 1.0)[..., None].astype(np.float32)
    filled = keep * np.nan_to_num(still) + (1 - keep) * guess
    believed = np.where(known, 1.0, open_share).astype(np.float32)
    return np.asarray(filled, np.float32), believed, float(np.mean((1 - open_share) * known))
