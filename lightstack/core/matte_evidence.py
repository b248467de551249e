"""For and against: does a pixel of the hero show the set, under whatever light, or something in front of it?

The set under a slow change of light leaves its colour and its texture; a shadow takes light away from all channels
alike and leaves the texture too. Something in front brings its own colour, its own texture, or takes the set's away.
Evidence is in log-odds: above 0 speaks for a figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte_light import LogSet, colour_part, strayed
from lightstack.records import FloatArray

__all__ = ["Evidence", "FigureColours", "weigh_difference"]

PRIOR = 2.5  # log-odds against a figure where the set is matched well
MOST = 6.0  # no pixel says more than that
SHADE_COST = 0.5  # of saying "shadow" where "as lit" does not do
TEXTURE_MOST = 4.0  # log-odds a pixel's texture may tell
SEEN_SAYS, GONE_SAYS = 1.5, 0.7  # neighbours' texture tells the same again; a codec may flatten it
SURELY_SEEN = 1.5  # log-odds
SHADE_DEPTH, GLOW_HEIGHT = 1.3, 0.4  # logs of one usual shadow, one usual brightening
SHADE_COLOUR, SHADE_COLOUR_RISE = 0.05, 0.22  # change of colour a shadow may bring: at once, and per log of depth
CLEARLY = 3.5  # sigma of a local mean
EDGE_SAYS = 3.0  # log-odds where the whole outline nearby is sharp
SOFT, SHARP = 0.58, 0.85  # shares at which an outline is a shadow's, a body's
EDGE_OF_SET = 0.3  # logs per pixel
OUTLINE_REACHES = (0.04, 0.1)  # of the picture's diagonal
BINS = (24, 12, 12)  # of lightness and two colour axes
RANGES = ((-9.0, 1.0), (-1.2, 1.2), (-1.2, 1.2))


@dataclass(frozen=True, slots=True)
class Evidence:
    """``score`` (h, w) log-odds for a figure; ``shows_set`` (h, w) 0..1 how surely the set's own texture is seen;
    ``mismatch`` (h, w) distance from the set as lit, in sigma."""

    score: NDArray[np.float32]
    shows_set: NDArray[np.float32]
    mismatch: NDArray[np.float32]


def weigh_difference(
    logs: NDArray[np.float32], rest: NDArray[np.float32], known: LogSet, *, noise_share: FloatArray | float = 1.0
) -> Evidence:
    """Weigh what is left of a log difference, ``rest`` ``(h, w, 3)``, after the light was modelled.

    ``logs``: of the frame. ``noise_share``: of one frame's variance, below 1 where still frames were averaged.
    """
    variance = known.variance_at(logs, share=noise_share)
    near, mass = weigh_means(rest, variance, 3)
    mismatch = np.sqrt((near**2 / (0.35 / mass + 0.01**2)).mean(-1))  # of nine pixels; a codec ties neighbours together
    outlined = np.clip((share_of_sharp_outline(near, mismatch, known) - SOFT) / (SHARP - SOFT), 0, 1)
    one_frame = known.variance_at(logs)
    cost = np.minimum(0.5 * mismatch**2, cost_of_shade(rest, one_frame) + EDGE_SAYS * outlined)
    texture = weigh_texture(logs, known.logs, one_frame)
    score = np.clip(cost - PRIOR + texture, -MOST, MOST).astype(np.float32)
    shows_set = np.clip(-texture / SURELY_SEEN, 0, 1).astype(np.float32)
    return Evidence(score, shows_set, mismatch.astype(np.float32))


def weigh_means(
    values: NDArray[np.float32], variance: NDArray[np.float32], side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return means over ``side`` x ``side`` pixels weighted by certainty, and the certainty's own mean."""
    box: dict[str, Any] = {"ksize": (side, side), "borderType": cv2.BORDER_REPLICATE}
    inverse = (1 / variance).astype(np.float32)
    mass = cv2.blur(inverse, **box)
    return cv2.blur(values * inverse, **box) / mass, mass


def cost_of_shade(rest: NDArray[np.float32], variance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cost (h, w) of saying that the set is shaded, or lit by more: its colour and its texture must have stayed.

    ``variance``: of one frame, not of a mean: in the dark a codec's errors stand still from frame to frame.
    """
    near, mass = weigh_means(rest, variance, 5)
    lightness = (near * mass).sum(-1) / mass.sum(-1)
    allowed = (SHADE_COLOUR + SHADE_COLOUR_RISE * np.abs(lightness)) ** 2
    colour_cost = (colour_part(near) ** 2 / (0.3 / mass + allowed[..., None])).sum(-1)
    unsteady = np.maximum(*(cv2.erode(strayed(rest, variance, n), np.ones((n, n), np.uint8)) for n in (3, 5)))
    depth = np.where(lightness < 0, lightness / SHADE_DEPTH, lightness / GLOW_HEIGHT) ** 2
    return np.asarray(SHADE_COST + 0.5 * colour_cost + 0.5 * np.maximum(unsteady - 1.6, 0) ** 2 + depth, np.float32)


def share_of_sharp_outline(
    near: NDArray[np.float32], mismatch: NDArray[np.float32], known: LogSet
) -> NDArray[np.float32]:
    """How sharply what differs from the set ends round each place, (h, w) 0..1: a body at once, most shadows slowly.

    ``near``: (h, w, 3) smoothed log differences; ``mismatch``: (h, w) the same in sigma. At the outline of what
    differs, the change two pixels in is set against that eight pixels in. Where the set itself has an edge a shadow
    ends sharply too, so such outlines have little say.
    """
    changed = cv2.morphologyEx((mismatch > CLEARLY).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    outline = (changed - cv2.erode(changed, np.ones((3, 3), np.uint8))).astype(np.float32)
    outline /= 1 + (cv2.dilate(known.steep, np.ones((3, 3), np.uint8)) / EDGE_OF_SET) ** 2
    size = np.abs(near).mean(-1)
    close, deep = (cv2.dilate(size, np.ones((n, n), np.uint8)) for n in (5, 17))
    sharp = outline * close / np.maximum(deep, 1e-6)
    share, told = np.zeros_like(size), np.zeros_like(size)
    for reach in OUTLINE_REACHES:  # inside a broad body the nearest outline is far
        side = max(9, round(reach * float(np.hypot(*size.shape)))) | 1
        mass = cv2.blur(outline, (side, side))
        share += (1 - told) * cv2.blur(sharp, (side, side)) / np.maximum(mass, 1e-6)
        told += (1 - told) * np.clip(side * mass, 0, 1)  # an outline right through the box is enough
    return np.asarray(share, np.float32)


def weigh_texture(
    logs: NDArray[np.float32], known: NDArray[np.float32], variance: NDArray[np.float32], *, side: int = 9
) -> NDArray[np.float32]:
    """Log-odds (h, w) that the set's own texture is gone, however it is lit; below 0 it is seen.

    A matched filter: with the texture t of the set, the frame's texture f is either t or something else, and the
    difference of squared misfits over the noise is (t * t - 2 * f * t) / 2. A plain patch of set tells nothing.
    """
    box: dict[str, Any] = {"ksize": (side, side), "borderType": cv2.BORDER_REPLICATE}
    own, seen = known - cv2.blur(known, **box), logs - cv2.blur(logs, **box)
    told = ((0.5 * own**2 - seen * own) / (2 * variance)).sum(-1)
    near = cv2.blur(np.clip(told, -TEXTURE_MOST, TEXTURE_MOST), (5, 5), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(np.where(near > 0, GONE_SAYS, SEEN_SAYS) * near, np.float32)


class FigureColours:
    """Which colours the figure wears, gathered from where it is seen without doubt."""

    def __init__(self) -> None:
        self._seen = np.zeros(BINS, np.float64)

    def add(self, logs: NDArray[np.float32], sure: NDArray[np.bool_]) -> None:
        """Add the pixels ``sure`` (h, w) of a frame's logs ``(h, w, 3)``."""
        if sure.any():
            self._seen += np.histogramdd(_axes(logs[sure]), BINS, RANGES)[0]

    def likeness(self, logs: NDArray[np.float32]) -> NDArray[np.float32]:
        """How well the figure's colours explain each pixel, (h, w) 0..1; 0 while nothing was gathered."""
        total = float(self._seen.sum())
        if total < 100:
            return np.zeros(logs.shape[:2], np.float32)
        density = spread_counts(self._seen) / total
        usual = 1.0 / np.prod(BINS)
        table = density / (density + 2 * usual)
        places = [
            np.clip(((axis - low) / (high - low) * count).astype(np.int32), 0, count - 1)
            for axis, (low, high), count in zip(_axes(logs.reshape(-1, 3)).T, RANGES, BINS, strict=True)
        ]
        return table[tuple(places)].reshape(logs.shape[:2]).astype(np.float32)


def _axes(logs: FloatArray) -> NDArray[np.float32]:
    red, green, blue = logs[..., 0], logs[..., 1], logs[..., 2]
    return np.stack([(red + green + blue) / 3, red - green, blue - green], axis=-1).astype(np.float32)


def spread_counts(counts: NDArray[np.float64]) -> NDArray[np.float64]:
    """Spread counts over neighbouring bins, so that bins between seen ones are not empty."""
    spread = counts
    for axis in range(3):
        padded = np.take(spread, [0, *range(spread.shape[axis]), spread.shape[axis] - 1], axis)
        n = spread.shape[axis]
        parts = [np.take(padded, range(k, k + n), axis) for k in range(3)]
        spread = 0.25 * parts[0] + 0.5 * parts[1] + 0.25 * parts[2]
    return spread
