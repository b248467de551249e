"""What was moved between two registered pictures of one set, in the same light or another.

A change of light multiplies a surface's texture by something smooth, or by two levels at a shadow's edge; a thing
that was moved puts another texture in its place. Where the light is the same in both takes, a place that turned
brighter, darker or another colour within a sharp outline counts too.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from lightstack.core.regions import Mask, close_gaps, keep_large
from lightstack.core.register.texture import luma_noise, mean_luma
from lightstack.core.sweep.reach import name_place
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["SAME_SHARE", "Moved", "find_moved"]

WINDOW_PX = 11  # of survey size, in which texture is compared
FINE_PX = 7  # of survey size: structure wider than half of this is taken for an edge of light, not for texture
EDGE_PX = 0.15  # how far an edge may lie off after registration, survey pixels
FLOOR_LOG = 0.03  # what a codec does to an even place, natural log units
CLIPPED = 0.97  # linear light at which a place tells nothing
LEAST_TEXTURE = 0.04  # natural log units of local contrast that count as texture
SAME_LOG = 0.12  # natural log units within which the light is the same
SAME_SHARE = 0.8  # of the picture that keeps its light, for takes under one light
STEP_LOG = 0.18  # natural log units: a quarter stop
LEAST_SHARE = 1e-4  # of the picture: smaller is no thing
EVEN_LOG = 0.05  # natural log units of spread over 3 x 3 pixels, up to which a ratio is even
SHADOW_SHARE = 0.5  # of a part that is even, from which its edges may be shadows'


@dataclass(frozen=True, slots=True)
class Moved:
    """A place that shows something else: ``box`` (x0, y0, x1, y1) in full-size pixels, its ``share`` of the picture's
    area, ``where`` it lies, ``sure`` 0..1: the share of it that texture, not brightness alone, speaks for."""

    box: tuple[float, float, float, float]
    share: float
    where: str
    sure: float


def find_moved(
    reference: FloatArray,
    other: FloatArray,
    *,
    noise: NoiseModel,
    factor: int = 1,
    averaged: tuple[int, int] = (1, 1),
    usable: BoolArray | None = None,
) -> tuple[tuple[Moved, ...], float]:
    """Find what was moved between two registered pictures ``(h, w, 3)`` at survey size.

    ``usable``: ``(h, w)`` bool, where both show the set. Returns the places, the largest first, and the share of the
    picture that keeps its light.

    Notes: where the light differs over much of the picture, a thing is found only where it and what is behind it both
    have texture: a plain one's outline could be a shadow's. Somebody who stands in one of the takes is found as a
    thing.
    """
    pair = _read_pair(reference, other, noise, averaged, usable)
    same = _share_of_same_light(pair)
    changed, agrees, both = _compare_texture(pair)
    found = changed | _find_steps(pair) & ~agrees if same >= SAME_SHARE else both
    mask: Mask = close_gaps(found.astype(np.uint8), 3) & pair.open.astype(np.uint8)
    opened = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    mask = keep_large(opened, _least_area(mask.shape))
    if same < SAME_SHARE:
        mask = keep_large(_drop_shadows(mask, pair), 5 * _least_area(mask.shape))
    return _box_parts(mask, changed, agrees, factor), same


def _least_area(shape: tuple[int, ...]) -> int:
    return max(24, round(LEAST_SHARE * shape[0] * shape[1]))


@dataclass(frozen=True)
class _Pair:
    """Two pictures in natural logs, (h, w, 3) and luma (h, w); ``sigma`` (h, w, 3) of the ratio, ``grain`` (h, w) of
    the luma's, ``open`` (h, w) where both tell something."""

    logs: tuple[FloatArray, FloatArray]
    lumas: tuple[FloatArray, FloatArray]
    sigma: FloatArray
    grain: FloatArray
    open: BoolArray


def _read_pair(
    reference: FloatArray,
    other: FloatArray,
    noise: NoiseModel,
    averaged: tuple[int, int],
    usable: BoolArray | None,
) -> _Pair:
    pictures = [np.maximum(np.nan_to_num(np.asarray(p, np.float32)), 0) for p in (reference, other)]
    seen = np.ones(pictures[0].shape[:2], bool) if usable is None else np.asarray(usable, bool)
    pictures[1] = np.where(seen[..., None], pictures[1], pictures[0])  # nothing unseen may spread inwards
    foot = (3 * np.sqrt(np.maximum(noise.b, 1e-12) / min(averaged))).astype(np.float32)
    logs = [cv2.GaussianBlur(np.log(p + foot), (0, 0), 0.8) for p in pictures]
    spread = [noise.sigma(p) / np.sqrt(np.float32(n)) / (p + foot) for p, n in zip(pictures, averaged, strict=True)]
    lumas = [mean_luma(p) for p in pictures]
    black = 3 * luma_noise(noise, lumas[0][:1, :1])[0] / np.sqrt(min(averaged))
    dims = [cv2.GaussianBlur(np.log(luma + np.float32(black)), (0, 0), 0.8) for luma in lumas]
    kept = 1 / (4 * np.pi * 0.8**2)  # of white noise's variance, by the smoothing
    grains = [
        luma_noise(noise, luma)[1] / np.sqrt(np.float32(n)) / (luma + np.float32(black))
        for luma, n in zip(lumas, averaged, strict=True)
    ]
    seen = seen & ~np.any([p.max(axis=2) >= CLIPPED for p in pictures], axis=0)
    seen[:2], seen[-2:], seen[:, :2], seen[:, -2:] = False, False, False, False
    seen = cv2.erode(seen.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    slopes = [_slope(log) for log in dims]
    edge = (EDGE_PX * np.maximum(*slopes)) ** 2
    sigma = np.sqrt((spread[0] ** 2 + spread[1] ** 2) * kept + edge[..., None] + FLOOR_LOG**2)
    grain = np.sqrt((grains[0] ** 2 + grains[1] ** 2) * kept + edge)
    return _Pair((logs[0], logs[1]), (dims[0], dims[1]), sigma, grain, seen)


def _slope(log: FloatArray) -> FloatArray:
    gy, gx = np.gradient(log)
    return np.hypot(gx, gy).astype(np.float32)


def _compare_texture(pair: _Pair) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Where texture is another, where it is there and the same, and where both have some, but another; (h, w) bool.

    Notes: a median over the window keeps a shadow's edge and takes it out of all three contrasts alike.
    """
    one, two = pair.lumas
    difference = one - two
    power = [_local_power(log) for log in (one, two)]
    rest = np.maximum(_local_power(difference) - _mean(pair.grain**2), 0)
    texture = np.maximum(power[0] + power[1] - _mean(pair.grain**2), 0)
    least = LEAST_TEXTURE**2 + 3 * _mean(pair.grain**2)
    told = pair.open & (texture > least)
    alike = 1 - rest / np.maximum(texture, 1e-9)
    changed = told & (alike < 0.3)
    return changed, told & (alike > 0.6), changed & (np.minimum(*power) > np.maximum(least, 0.15 * texture))


def _mean(image: FloatArray) -> FloatArray:
    return cv2.blur(image.astype(np.float32), (WINDOW_PX, WINDOW_PX), borderType=cv2.BORDER_REFLECT)


def _local_power(log: FloatArray) -> FloatArray:
    """Mean square of what an edge-keeping smoothing leaves over, in the window."""
    steps = np.clip((log + 12) * (255 / 16), 0, 255)  # of 6 %: the filter of large windows wants bytes
    coarse = cv2.medianBlur(np.rint(steps).astype(np.uint8), FINE_PX).astype(np.float32) * (16 / 255) - 12
    # within a step of the coarse level the mean of the like pixels around is the level
    like = np.abs(log - coarse) < 0.25
    near = _mean(np.where(like, log, 0)) / np.maximum(_mean(like.astype(np.float32)), 1e-3)
    level = np.where(_mean(like.astype(np.float32)) > 0.1, near, coarse)
    return _mean((log - level) ** 2)


def _share_of_same_light(pair: _Pair) -> float:
    ratio = pair.logs[1] - pair.logs[0]
    if not pair.open.any():
        return 0.0
    middle = np.median(ratio[pair.open], axis=0)
    beyond = np.abs(ratio - middle) - SAME_LOG - 3 * pair.sigma
    return float(np.mean(beyond.max(axis=2)[pair.open] < 0))


def _find_steps(pair: _Pair) -> BoolArray:
    """Where the picture turned brighter, darker or another colour within a sharp outline, (h, w) bool."""
    ratio = pair.logs[1] - pair.logs[0]
    smooth = _smooth_light(ratio, pair.open)
    away = np.abs(ratio - smooth)
    changed = (away > STEP_LOG + 4 * pair.sigma).any(axis=2) & pair.open
    return _keep_sharp(changed, away.max(axis=2), pair.open)


def _smooth_light(ratio: FloatArray, seen: BoolArray) -> FloatArray:
    """The change of light between the takes as a smooth field: a median over large cells."""
    middle = np.median(ratio[seen], axis=0).astype(np.float32)
    filled = np.where(seen[..., None], ratio, middle)
    rows, columns = (max(2, side // 40) for side in ratio.shape[:2])
    cells = np.empty((rows, columns, 3), np.float32)
    for i, band in enumerate(np.array_split(filled, rows, axis=0)):
        for j, cell in enumerate(np.array_split(band, columns, axis=1)):
            cells[i, j] = np.median(cell.reshape(-1, 3), axis=0)
    # no cell may follow a thing that fills it
    cells = np.stack([cv2.medianBlur(np.ascontiguousarray(cells[..., c]), 5) for c in range(3)], -1)
    return cv2.resize(cells, ratio.shape[1::-1], interpolation=cv2.INTER_LINEAR)


def _keep_sharp(changed: BoolArray, away: FloatArray, seen: BoolArray) -> BoolArray:
    """Keep parts whose change falls off within a few pixels over most of their outline."""
    mask = close_gaps(changed.astype(np.uint8), 1)
    count, labels = cv2.connectedComponents(mask)
    inner = cv2.dilate(np.where(mask > 0, away, 0).astype(np.float32), np.ones((7, 7), np.uint8))
    owner = cv2.dilate(labels.astype(np.float32), np.ones((9, 9), np.uint8)).astype(np.int32)
    kernel = np.ones((3, 3), np.uint8)
    ring = (cv2.dilate(mask, kernel, iterations=4) > 0) & (cv2.dilate(mask, kernel, iterations=3) == 0) & seen
    keep = np.zeros(count, bool)
    for i in range(1, count):
        here = ring & (owner == i)
        keep[i] = here.sum() >= 4 and float(np.mean(away[here] < 0.4 * inner[here])) > 0.6
    return np.asarray(keep[labels])


def _drop_shadows(mask: Mask, pair: _Pair) -> Mask:
    """Drop parts in which the ratio of the pictures is even on both sides of few edges, as a shadow's is."""
    ratio = pair.lumas[1] - pair.lumas[0]
    mean = cv2.blur(ratio, (3, 3))
    spread = np.sqrt(np.maximum(cv2.blur(ratio**2, (3, 3)) - mean**2, 0))
    even = spread < np.maximum(EVEN_LOG, 1.5 * pair.grain)
    count, labels = cv2.connectedComponents(mask)
    keep = np.zeros(count, bool)
    for i in range(1, count):
        keep[i] = float(even[labels == i].mean()) < SHADOW_SHARE
    return keep[labels].astype(np.uint8)


def _box_parts(mask: Mask, changed: BoolArray, agrees: BoolArray, factor: int) -> tuple[Moved, ...]:
    """Turn the parts of a mask into places; parts whose own texture mostly agrees are light."""
    count, labels, stats, centres = cv2.connectedComponentsWithStats(mask)
    height, width = mask.shape
    found = []
    for i in range(1, count):
        inside = labels == i
        told = changed[inside].sum() + agrees[inside].sum()
        if told and agrees[inside].sum() > 0.5 * told:
            continue
        x, y, w, h, area = (int(v) for v in stats[i])
        where = name_place(centres[i][0] / width, centres[i][1] / height)
        box = (float(x * factor), float(y * factor), float((x + w) * factor), float((y + h) * factor))
        found.append(Moved(box, area / mask.size, where, float(changed[inside].mean())))
    return tuple(sorted(found, key=lambda thing: (-thing.share, thing.box)))
