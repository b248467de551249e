"""Where a frame shows a thing before the bare set, and where only its shadow.

Both differ from the set. Under a shadow the set keeps its texture and nearly its colour, so that one ratio explains a
small window; a thing in front does not. What is sure after that teaches which colours the thing wears and how deep
its shadow is, and both decide what was not sure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = [
    "KnownSet",
    "PropColours",
    "Signs",
    "fit_level",
    "learn_colours",
    "measure_signs",
    "open_mask",
    "prepare_known",
]

MODEL_ERROR = 0.02  # of the level: what compression and a lens leave
SHIFT_ERROR_PX = 0.1
DIFFERS = 2.2  # sigma of a mean over 3 x 3 pixels; noise alone gives about 1
SURELY = 4.0
SHADE_COLOUR, SHADE_COLOUR_RISE = 0.04, 0.2  # change of colour a shadow may bring: at once, and per log of depth
DEEPEST, BRIGHTEST = np.log(0.12), np.log(1.08)  # a shadow's ratio
UNTOLD, GONE_SAYS = 1.4, 5.0  # what other texture may cost where the set has none, where the set's own is gone
PRIOR = 2.0  # cost at which a shadow and a thing are alike
MOST = 6.0
COLOURS_SAY = 3.0
SURE_SCORE, THING_SHARE = 3.0, 0.75
BINS = (24, 14, 14)
RANGES = ((-9.0, 1.5), (-1.4, 1.4), (-1.4, 1.4))


@dataclass(frozen=True, slots=True)
class KnownSet:
    """The bare set ``light`` (h, w, 3), the variance of how far one frame may stray from it, and a frame's noise."""

    light: NDArray[np.float32]
    variance: NDArray[np.float32]
    noise: NoiseModel


@dataclass(frozen=True, slots=True)
class Signs:
    """``distance`` (h, w) from the set in sigma; ``differs`` (h, w) bool; ``score`` (h, w) above 0 for a thing, below
    for a shadow, 0 where nothing differs; ``logs`` (h, w, 3) of the frame, ``ratio`` (h, w, 3) logs against the set."""

    distance: NDArray[np.float32]
    differs: BoolArray
    score: NDArray[np.float32]
    logs: NDArray[np.float32]
    ratio: NDArray[np.float32]


def prepare_known(light: FloatArray, noise: NoiseModel, *, frames: int = 1, step: float = 0.0) -> KnownSet:
    """Take the set's picture with how far a frame may stray from it.

    ``frames``: how many the picture is the mean of. ``step``: linear size of one code at black.
    """
    own = np.maximum(np.nan_to_num(np.asarray(light, np.float32)), 0)
    slopes = [cv2.Scharr(own, cv2.CV_32F, dx, 1 - dx, scale=1 / 32) for dx in (1, 0)]
    steep = slopes[0] ** 2 + slopes[1] ** 2
    variance = noise.sigma(own) ** 2 * (1 + 1 / max(1, frames)) + step**2 / 12  # evenly spread within one code
    variance = variance + (MODEL_ERROR * own) ** 2 + SHIFT_ERROR_PX**2 * steep + 1e-10
    return KnownSet(own, np.asarray(variance, np.float32), noise)


def fit_level(frame: FloatArray, known: KnownSet) -> NDArray[np.float32]:
    """Return by what channel gains a frame is lit differently, (3,): the median over what is bright enough."""
    bright = known.light > 4 * np.sqrt(known.variance)
    gains = []
    for channel in range(3):
        use = bright[..., channel]
        ratio = frame[..., channel][use] / known.light[..., channel][use]
        gains.append(float(np.median(ratio)) if ratio.size > 100 else 1.0)
    return np.clip(np.array(gains, np.float32), 0.5, 2.0)


def measure_signs(frame: FloatArray, known: KnownSet, colours: PropColours | None = None) -> Signs:
    """Tell thing from shadow in a frame ``(h, w, 3)`` that is lit as the set is."""
    light = np.asarray(frame, np.float32)
    extra = np.maximum(known.noise.sigma(np.maximum(light, 0)) ** 2 - known.noise.sigma(known.light) ** 2, 0)
    variance = known.variance + extra.astype(np.float32)
    square = (light - known.light) ** 2 / variance
    signed = cv2.blur((light - known.light) / np.sqrt(variance), (3, 3), borderType=cv2.BORDER_REPLICATE)
    near = cv2.blur(square, (3, 3), borderType=cv2.BORDER_REPLICATE).mean(-1)
    distance = np.sqrt(np.maximum(near, 3.0 * (signed**2).mean(-1)))
    differs = keep_sure(distance > DIFFERS, distance > SURELY)
    floor = 2 * np.sqrt(np.maximum(known.noise.b, 1e-10)).astype(np.float32) + np.float32(1e-4)
    logs = np.log(np.maximum(light, 0) + floor)
    ratio = logs - np.log(known.light + floor)
    score = np.clip(cost_of_shade(light, known.light, variance) - PRIOR, -MOST, MOST)
    if colours is not None:
        score = score + COLOURS_SAY * colours.weigh(logs, ratio)
    return Signs(distance, differs, np.where(differs, score, 0).astype(np.float32), logs, ratio)


def keep_sure(mask: BoolArray, sure: BoolArray) -> BoolArray:
    """Keep the parts of a mask that hold something sure, at least four pixels of it."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8))
    keep = np.bincount(labels[sure & mask], minlength=count) >= 4
    keep[0] = False
    return np.asarray(keep[labels])


def cost_of_shade(
    frame: NDArray[np.float32], behind: NDArray[np.float32], variance: NDArray[np.float32], *, side: int = 5
) -> NDArray[np.float32]:
    """Cost (h, w) of saying that a place shows the set under a shadow: of the best window that holds the place.

    In each window one ratio for each channel is fitted; what is left counts against the noise, a change of colour and a
    depth that no shadow has come on top.
    """
    box: dict[str, Any] = {"ksize": (side, side), "borderType": cv2.BORDER_REPLICATE}
    weight = 1 / variance
    mass = cv2.blur(behind**2 * weight, **box) + 1e-6
    fit = cv2.blur(frame * behind * weight, **box) / mass
    left = cv2.blur(frame**2 * weight, **box) - fit**2 * mass
    logs = np.log(np.maximum(fit, 0.02))
    error = 1 / np.maximum(fit**2 * mass * side**2, 1e-6)  # variance of the log
    sure = 1 / (error + 0.05**2)
    depth = (logs * sure).sum(-1) / sure.sum(-1)
    allowed = (SHADE_COLOUR + SHADE_COLOUR_RISE * np.abs(depth)) ** 2
    colour = 0.5 * ((logs - depth[..., None]) ** 2 / (error + allowed[..., None])).sum(-1)
    beyond = np.maximum(depth - BRIGHTEST, 0) / 0.06 + np.maximum(DEEPEST - depth, 0) / 0.25
    own = (
        cv2.blur(behind**2 * weight, **box) - cv2.blur(behind * weight, **box) ** 2 / cv2.blur(weight, **box)
    ) * fit**2
    told = np.maximum(own.mean(-1), 0) / (
        left.mean(-1) + 1
    )  # how much of what is left could be the set's texture, gone
    misfit = np.minimum(2.0 * np.maximum(left.mean(-1) - 1.3, 0), UNTOLD + GONE_SAYS * np.minimum(told, 1))
    window = (misfit + colour + beyond).astype(np.float32)
    return np.asarray(cv2.erode(window, np.ones((side, side), np.uint8)), np.float32)


class PropColours:
    """Which colours the thing wears, and which logs of ratio its shadow has, from what was sure."""

    def __init__(self) -> None:
        self._thing, self._shade = np.zeros(BINS), np.zeros(BINS)

    def add(self, signs: Signs, thing: BoolArray, shade: BoolArray) -> None:
        """Add sure pixels (h, w) of either."""
        self._thing += count_colours(signs.logs[thing])
        self._shade += count_colours(signs.ratio[shade])

    def weigh(self, logs: NDArray[np.float32], ratio: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return -1 to 1, (h, w): whether a colour is rather the thing's or rather the shaded set's."""
        if self._thing.sum() < 30:
            return np.zeros(logs.shape[:2], np.float32)
        thing, shade = (spread_counts(part) for part in (self._thing, self._shade))
        usual = 0.3 / np.prod(BINS)
        apart = np.log((thing[places_of(logs)] + usual) / (shade[places_of(ratio)] + usual))
        return np.asarray(np.clip(apart / 4, -1, 1), np.float32)


def count_colours(logs: NDArray[np.float32]) -> NDArray[np.float64]:
    """Count colours ``(n, 3)`` of logs in bins of lightness and two differences."""
    if not len(logs):
        return np.zeros(BINS)
    axes = split_axes(logs)
    clipped = np.stack([np.clip(axes[..., i], *RANGES[i]) for i in range(3)], axis=-1)
    return np.asarray(np.histogramdd(clipped, BINS, RANGES)[0])


def split_axes(logs: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return lightness, red against green and blue against green of logs ``(..., 3)``."""
    return np.stack([logs.mean(-1), logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)


def places_of(logs: NDArray[np.float32]) -> tuple[NDArray[np.intp], ...]:
    """Return the bin of every colour, one index array for each axis."""
    axes = split_axes(logs)
    return tuple(
        np.clip(((axes[..., i] - low) / (high - low) * n).astype(np.intp), 0, n - 1)
        for i, ((low, high), n) in enumerate(zip(RANGES, BINS, strict=True))
    )


def spread_counts(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Spread counts over neighbouring bins and let them sum to 1."""
    for axis in range(3):
        counts = blur_axis(counts, axis)
    return counts / max(float(counts.sum()), 1e-9)


def blur_axis(counts: NDArray[np.float64], axis: int) -> NDArray[np.float64]:
    """Blur by 1-2-1 along one axis."""
    pads = [(1, 1) if i == axis else (0, 0) for i in range(3)]
    padded = np.pad(counts, pads)
    n = counts.shape[axis]
    low, middle, high = (np.take(padded, range(k, k + n), axis) for k in range(3))
    return 0.25 * low + 0.5 * middle + 0.25 * high


def learn_colours(signs: Sequence[Signs]) -> PropColours:
    """Learn what the thing and its shadow look like from frames spread over the take.

    Outlines of a shadow look like a thing's, so only what is three pixels wide counts.
    """
    scores = np.concatenate([one.score[one.differs] for one in signs]) if signs else np.zeros(0)
    # something must be the thing: where little is sure, the most likely part of what differs is taken for it
    least = min(SURE_SCORE, float(np.quantile(scores, THING_SHARE))) if scores.size else SURE_SCORE
    colours = PropColours()
    for one in signs:
        thing = open_mask(one.differs & (one.score >= least))
        colours.add(one, thing, open_mask(one.differs & (one.score < min(-1.0, least - 0.5))))
    return colours


def open_mask(mask: BoolArray) -> BoolArray:
    """Keep what is at least three pixels wide."""
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)) > 0)
