"""Which frames of a sweep become key frames.

Sees survey-size pictures and numbers only. The score of a set S of frames is

    f(S) = sum over pixels of the largest value that a frame of S has there,

with value = weight * sqrt(max(l - 3 sigma, 0)) and l the luminance of the frame's valid lamp light. The
square root keeps dim corners from being outvoted by bright walls, the 3 sigma keep noise from earning
anything. f is monotone and submodular, so taking the frame that adds most, again and again, reaches at
least 1 - 1/e of the best set of the same size.
"""

from __future__ import annotations

import heapq
from collections.abc import Collection, Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.errors import SettingError
from lightstack.records import BoolArray, Choice, NoiseModel

REC709_LUMINANCE = (0.2126, 0.7152, 0.0722)
"""Luminance weights, rounded as in ITU-R BT.709-6, item 3.2."""

BRIGHTEST = 0.9  # quantile of a frame's open light above which it tells the lamp's colour
SCORE_WIDTH = 160
SCORE_HEIGHT = 90
_STEPS = 2**24  # values are compared in whole steps of largest / _STEPS: sums are exact in any order


def light_values(
    light: NDArray,
    valid: NDArray,
    *,
    sigma: float | NDArray,
    weights: NDArray,
    luminance: Sequence[float] = REC709_LUMINANCE,
) -> NDArray[np.float32]:
    """Give each frame's worth at each pixel of a small picture.

    ``light``: ``(n, h, w, 3)`` linear lamp light at survey size; may be float16 and memory-mapped, one
    frame is read at a time. ``valid``: ``(n, h, w)`` 0..1 or bool, 0 where the lamp or its carrier
    covers the set. ``sigma``: noise of one frame's luminance, linear, one number or ``(h, w)``.
    ``weights``: ``(n,)`` 0..1. Returns ``(n, P)`` float32 with P = about 160 x 90, never more pixels
    than the pictures have.

    Raises ValueError where the shapes do not fit each other.

    Notes: 58 KB a frame, so 1,200 frames take 69 MB. Light that is not a number counts as none.
    """
    count, height, width = light.shape[:3]
    if valid.shape != (count, height, width) or len(weights) != count:
        shapes = f"light {light.shape}, valid {valid.shape}, weights {np.shape(weights)}"
        raise ValueError(f"{shapes} do not fit each other")
    size = score_size(height, width)
    threshold = 3.0 * _shrink(np.broadcast_to(np.asarray(sigma, np.float32), (height, width)), size)
    values = np.empty((count, size[0] * size[1]), np.float32)
    for k in range(count):
        luma = np.asarray(light[k], np.float32) @ np.asarray(luminance, np.float32)
        luma = np.where(np.isfinite(luma), luma, 0) * np.asarray(valid[k], np.float32)
        above = np.maximum(_shrink(luma, size) - threshold, 0)
        values[k] = float(weights[k]) * np.sqrt(above).ravel()
    return values


def sum_brightest(light: NDArray, covered: BoolArray) -> NDArray[np.float64]:
    """Sum the lamp light of a frame ``(h, w, 3)`` over the brightest tenth of what is open, ``(3,)``.

    ``covered``: ``(h, w)``. Light that is not a number counts as covered; 0 where all is.
    """
    picture = np.ascontiguousarray(light, np.float32)
    lumas, total = np.empty(covered.size), np.zeros(3)
    count = _list_lumas(picture, covered, lumas)
    if count:
        _sum_above(picture, covered, np.quantile(lumas[:count], BRIGHTEST), total)
    return total


@compile_loop()
def _list_lumas(light, covered, lumas):  # type: ignore[no-untyped-def]
    """Write the sums of the channels of open pixels one after the other to ``lumas`` and return how many there are."""
    count = 0
    for y in range(covered.shape[0]):
        for x in range(covered.shape[1]):
            luma = np.float64(light[y, x, 0]) + np.float64(light[y, x, 1]) + np.float64(light[y, x, 2])
            lumas[count] = luma
            if not covered[y, x] and np.isfinite(luma):
                count += 1
    return count


@compile_loop()
def _sum_above(light, covered, least, total):  # type: ignore[no-untyped-def]
    """Add to ``total`` (3,) the light of open pixels whose channels sum up to ``least`` or more."""
    for y in range(covered.shape[0]):
        for x in range(covered.shape[1]):
            luma = np.float64(light[y, x, 0]) + np.float64(light[y, x, 1]) + np.float64(light[y, x, 2])
            if luma >= least and not covered[y, x] and np.isfinite(luma):
                for c in range(3):
                    total[c] += np.float64(light[y, x, c])


def weigh_channels(colour: NDArray, *, noise: NoiseModel) -> NDArray[np.float64]:
    """Give the channel weights with which this lamp's light stands out most from noise.

    ``colour``: ``(3,)`` mean lamp light, linear. ``noise``: of a frame. Returns ``(3,)`` float64, sum 1; use
    as ``luminance`` of ``light_values``.

    Notes: under a deep red or blue gel the standard's weights add mostly the noise of channels without any
    light, and a dim corner then counts as unlit. No channel is left out: every weight is at least 1/20 of
    the largest.
    """
    weights = np.maximum(np.asarray(colour, np.float64), 0) / np.maximum(noise.b, 1e-12)
    if not weights.max() > 0:
        return np.asarray(REC709_LUMINANCE) / sum(REC709_LUMINANCE)
    weights = np.maximum(weights, weights.max() / 20)
    return np.asarray(weights / weights.sum())


def score_size(height: int, width: int) -> tuple[int, int]:
    """Give the size (h, w) at which frames are scored: at most about 160 x 90, the shape kept."""
    scale = min(1.0, (SCORE_WIDTH * SCORE_HEIGHT / (height * width)) ** 0.5)
    return max(1, round(height * scale)), max(1, round(width * scale))


def _shrink(picture: NDArray, size: tuple[int, int]) -> NDArray[np.float32]:
    """Average a ``(h, w)`` picture over areas."""
    if picture.shape == size:
        return np.ascontiguousarray(picture, np.float32)
    small = cv2.resize(np.ascontiguousarray(picture, np.float32), size[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.float32)


def choose_key_frames(
    values: NDArray,
    *,
    coverage: float = 0.995,
    max_keys: int = 64,
    required: Sequence[int] = (),
    excluded: Collection[int] = (),
) -> Choice:
    """Choose the frames that together light most.

    ``values``: ``(n, P)`` >= 0, as ``light_values`` returns them. Frames are added until f(chosen) /
    f(all allowed) reaches ``coverage``, ``max_keys`` are taken, or no frame adds anything. ``required``
    frames come first, in the order given, even beyond ``max_keys``; ``excluded`` ones never.
    Ties go to the lowest index.

    Raises SettingError for an index out of range, a frame both required and excluded, or a coverage or
    count that makes no sense.

    Notes: the lazy evaluation gives the same set as evaluating every frame in every round, because what
    a frame adds can only shrink as the set grows.

    References: Nemhauser, Wolsey, Fisher 1978, "An analysis of approximations for maximizing submodular
    set functions I", Mathematical Programming 14 (the bound 1 - 1/e). Minoux 1978, "Accelerated greedy
    algorithms for maximizing submodular set functions" (lazy evaluation).
    """
    count = len(values)
    _check_choice(count, coverage, max_keys, required, excluded)
    steps, unit = _to_steps(values)
    required = tuple(dict.fromkeys(required))
    allowed = [k for k in range(count) if k not in set(excluded)]
    most = np.zeros(steps.shape[1], np.int32)
    for k in allowed:
        np.maximum(most, steps[k], out=most)
    total = int(most.sum(dtype=np.int64))
    best = np.zeros(steps.shape[1], np.int32)
    order: list[int] = []
    gains: list[int] = []
    for k, gain in _pick_in_turn(steps, best, required, [k for k in allowed if k not in set(required)]):
        enough = len(order) >= max_keys or sum(gains) >= coverage * total or gain == 0
        if enough and len(order) >= len(required):
            break
        order.append(k)
        gains.append(gain)
        np.maximum(best, steps[k], out=best)
    share = sum(gains) / total if total else 0.0
    return Choice(order=tuple(order), gains=tuple(gain * unit for gain in gains), coverage=share)


def _pick_in_turn(
    steps: NDArray[np.int32], best: NDArray[np.int32], required: Sequence[int], rest: Sequence[int]
) -> Iterator[tuple[int, int]]:
    """Yield (frame, what it adds to ``best``) without end of round; the caller updates ``best``."""

    def gain(k: int) -> int:
        return int(np.maximum(steps[k] - best, 0).sum(dtype=np.int64))

    for k in required:
        yield k, gain(k)
    heap = [(-gain(k), k, 0) for k in rest]
    heapq.heapify(heap)
    round_number = 0
    while heap:
        negative, k, measured_in = heapq.heappop(heap)
        if measured_in == round_number:
            yield k, -negative
            round_number += 1
        else:
            heapq.heappush(heap, (-gain(k), k, round_number))


def _to_steps(values: NDArray) -> tuple[NDArray[np.int32], float]:
    """Turn values into whole steps, and give the size of a step."""
    largest = float(values.max(initial=0.0))
    unit = largest / _STEPS if largest > 0 else 1.0
    steps = np.empty(values.shape, np.int32)
    for k, row in enumerate(values):
        steps[k] = np.rint(np.maximum(row, 0).astype(np.float64) / unit)
    return steps, unit


def _check_choice(
    count: int, coverage: float, max_keys: int, required: Sequence[int], excluded: Collection[int]
) -> None:
    if not 0 < coverage <= 1:
        raise SettingError(f"coverage is {coverage}; it must be above 0 and at most 1")
    if max_keys < 1:
        raise SettingError(f"max_keys is {max_keys}; at least 1 key frame is needed")
    for k in (*required, *excluded):
        if not 0 <= k < count:
            raise SettingError(f"frame index {k} is outside the {count} candidates")
    both = sorted(set(required) & set(excluded))
    if both:
        raise SettingError(f"frame index {both[0]} is both required and excluded; drop one of the two")
