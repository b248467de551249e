"""For and against: does a pixel of the hero show the set, under whatever light, or something in front of it?

The set under a slow change of light leaves its colour and its texture; a shadow takes light away from all channels
alike and leaves the texture too. Something in front brings its own colour, its own texture, or takes the set's away.
Evidence is in log-odds: above 0 speaks for a figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import LogSet, strayed
from lightstack.core.matte.texture import weigh_texture
from lightstack.core.matte.worn import any_figure_says, smooth_logs
from lightstack.core.numbers import mean_channels, sum_channels
from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray

__all__ = ["WORN_SHARE", "Evidence", "ShadeLook", "fit_shade", "weigh_difference"]

WORN_SHARE = 0.6  # how often a figure beside a sure one wears colours that were gathered
ALIKE_SHARE = 0.05  # of the set's density: from there on the figure's own says that both look alike
TEMPER = 0.6  # pixels share their errors with neighbours: each says that much of what it would say alone
PRIOR = 0.6  # log-odds against a figure where nothing is told
SHADE_SHARE = 0.25  # how often the set is shaded, against as lit
MOST, STRONG = 6.0, 12.0  # no pixel says more than that; no colour
SURELY_SEEN = 1.5  # log-odds
SHADE_DEPTH, GLOW_HEIGHT = 1.3, 0.4  # logs of one usual shadow, one usual brightening
SHADE_COLOUR, SHADE_COLOUR_RISE = 0.05, 0.22  # change of colour a shadow may bring: at once, and per log of depth
SCATTER_LIMITS = (0.1, 0.5)
SHADE_SEEN, LEAST_SHADE, CLEAR_SHADE, SHADE_PIXELS = 1.0, 0.25, 0.5, 300  # log-odds, logs, logs, pixels
CHANGED_SIGMAS, GAP = 2.5, 5  # gaps of so many pixels between changed places are looked at with them
CLEAR_CONTRAST = 1.0  # variances of a pixel
GONE_SHOWS = 0.5  # share of texture that must be missed where it is said to be gone
UNSURE_SAYS = 0.7  # share that is taken from what speaks for a shadow that nothing shows
SHARED = 3.2  # pixels that share an error
CLEARLY = 3.5  # sigma of a local mean
EDGE_SAYS = 1.5  # log-odds where the whole outline nearby is sharp
SOFT, SHARP = 0.58, 0.85  # shares at which an outline is a shadow's, a body's
EDGE_OF_SET = 0.3  # logs per pixel
OUTLINE_REACHES = (0.04, 0.1)  # of the picture's diagonal


@dataclass(frozen=True, slots=True)
class ShadeLook:
    """What shadows look like on a set: ``colour`` (3,) the change of colour they bring per log of depth, ``scatter``
    (3,) its standard deviation; ``sharp`` 0..1 how often they end as sharply as a body does."""

    colour: NDArray[np.float32]
    scatter: NDArray[np.float32]
    sharp: float


PLAIN_SHADE = ShadeLook(np.zeros(3, np.float32), np.full(3, SHADE_COLOUR_RISE, np.float32), 0.0)


@dataclass(frozen=True, slots=True)
class Evidence:
    """``score`` (h, w) log-odds for a figure of any colour; ``shows_set`` (h, w) 0..1 how surely the set's own texture
    is seen; ``mismatch`` (h, w) distance from the set as lit, in sigma.

    ``set_says`` (h, w) log density of what is seen if it is the set, ``any_says`` if it is a figure of any colour;
    ``texture`` and ``outlined`` (h, w) log-odds that those add; ``unsure`` (h, w) 0..1, it changed as in a shadow, but
    neither texture nor a soft outline shows that one lies there.
    """

    score: NDArray[np.float32]
    shows_set: NDArray[np.float32]
    mismatch: NDArray[np.float32]
    set_says: NDArray[np.float32]
    texture: NDArray[np.float32]
    outlined: NDArray[np.float32]
    any_says: NDArray[np.float32]
    unsure: NDArray[np.float32]

    def less_outline(self, share: float) -> NDArray[np.float32]:
        """Log-odds (h, w) with ``share`` of what the outline says left out."""
        return _odds(self.any_says, self.set_says, self.texture + (1 - share) * self.outlined, self.unsure)

    def by_colour(self) -> NDArray[np.float32]:
        """Log-odds (h, w) of the colours alone."""
        return np.clip(self.any_says - self.set_says, 0, STRONG).astype(np.float32)

    def wearing(self, worn: NDArray[np.float32], share: FloatArray) -> NDArray[np.float32]:
        """Log-odds (h, w) for a figure that wears colours of density ``worn`` (h, w) in ``share`` (h, w) of cases.

        Where those colours are the set's as well, and the set has no texture that would show, agreement with the set
        says little: it would be the same over the whole garment.
        """
        likely = (1 - share) * np.exp(self.any_says) + share * worn
        score = _odds(np.log(np.maximum(likely, 1e-12)), self.set_says, self.texture + self.outlined, self.unsure)
        alike = share * worn / (worn + ALIKE_SHARE * np.exp(np.minimum(self.set_says, 20)) + 1e-6)
        silent = np.minimum(alike / WORN_SHARE, 1) * (1 - self.shows_set)
        return np.where(score < 0, score * (1 - silent), score).astype(np.float32)


def _odds(
    figure_says: FloatArray, set_says: FloatArray, form_says: FloatArray, unsure: FloatArray
) -> NDArray[np.float32]:
    told = TEMPER * (np.asarray(figure_says) - set_says) + form_says - PRIOR
    told = np.where(told < 0, told * (1 - UNSURE_SAYS * np.asarray(unsure)), told)
    return np.clip(told, -MOST, MOST).astype(np.float32)


def weigh_difference(
    logs: NDArray[np.float32], rest: NDArray[np.float32], known: LogSet, *, noise_share: FloatArray | float = 1.0,
    shade: ShadeLook = PLAIN_SHADE,
) -> Evidence:
    """Weigh what is left of a log difference, ``rest`` ``(h, w, 3)``, after the light was modelled.

    ``logs``: of the frame. ``noise_share``: of one frame's variance, below 1 where still frames were averaged.
    ``shade``: what shadows look like; by default soft, and taking all channels alike.

    Notes: densities, not distances: where noise is as wide as the colours that a figure may have, both are alike and
    nothing is told.
    """
    variance = known.variance_at(logs, share=noise_share)
    one_frame = known.variance_at(logs)
    near, mass = weigh_means(rest, variance, 3)
    spread = 0.35 / mass + 0.01**2  # of nine pixels; a codec ties neighbours together
    mismatch = np.sqrt(mean_channels(near**2 / spread)).astype(np.float32)
    as_lit = -0.5 * sum_channels(near**2 / spread + np.log(2 * np.pi * spread))
    unsteady = np.maximum(*(cv2.erode(strayed(rest, one_frame, n), np.ones((n, n), np.uint8)) for n in (3, 5)))
    shaded = shade_says(near, spread, shade) - 0.5 * np.maximum(unsteady - 1.6, 0) ** 2
    set_says = np.logaddexp(np.log(1 - SHADE_SHARE) + as_lit, np.log(SHADE_SHARE) + shaded).astype(np.float32)
    changed = find_changed(rest, variance)
    says = weigh_texture(logs, known, one_frame, changed=changed)
    shows_set = np.clip(-says.odds / SURELY_SEEN, 0, 1).astype(np.float32)
    # of what looks as lit, its colour tells the same; and where texture is gone it is missing in the difference too
    missing = cv2.blur(mean_channels(rest**2 / variance), (5, 5), borderType=cv2.BORDER_REPLICATE) - 1
    gone = np.clip(missing / np.maximum(GONE_SHOWS * says.contrast, 1e-3), 0, 1)
    gone *= np.clip(says.contrast / CLEAR_CONTRAST, 0, 1)  # under the noise it could not be missed
    texture = np.where(changed, says.odds, np.maximum(says.odds, 0) * gone).astype(np.float32)
    sharp, soft = tell_outlined(rest, variance, known)
    outlined = EDGE_SAYS * sharp
    unsure = (changed * (1 - says.told) * (1 - soft)).astype(np.float32)
    any_says = any_figure_says(smooth_logs(logs), spread, known)
    score = _odds(any_says, set_says, texture + outlined, unsure)
    return Evidence(score, shows_set, mismatch, set_says, texture, outlined, any_says, unsure)


def find_changed(rest: NDArray[np.float32], variance: NDArray[np.float32]) -> BoolArray:
    """Where a frame differs from the set as lit, (h, w) bool; over more pixels where it is noisy."""
    found = np.zeros(rest.shape[:2], bool)
    for side in (3, 7):
        near, mass = weigh_means(rest, variance, side)
        found |= mean_channels(near**2 / (SHARED / (side**2 * mass) + 0.01**2)) > CHANGED_SIGMAS**2
    clean = cv2.medianBlur(found.astype(np.uint8), 5)
    return np.asarray(cv2.morphologyEx(clean, cv2.MORPH_CLOSE, disc(GAP)) > 0)


def fit_shade(frames: Sequence[tuple[NDArray[np.float32], NDArray[np.float32], LogSet]]) -> ShadeLook:
    """Find what shadows look like on this set, from places where the set's own texture shows that they are shadows.

    ``frames``: logs, what is left of their difference from the set, and the set.
    """
    slopes, ends = [], []
    for logs, rest, known in frames:
        variance = known.variance_at(logs)
        near, mass = weigh_means(rest, variance, 5)
        lightness = mean_channels(near)
        use = weigh_texture(logs, known, variance, changed=find_changed(rest, variance)).odds < -SHADE_SEEN
        use &= (lightness < -LEAST_SHADE) & (1 / mean_channels(mass) < CLEAR_SHADE**2)
        slopes.append((near[use] / lightness[use, None]) - 1)
        ends.append(tell_outlined(rest, variance, known)[0][use])
    found = np.concatenate(slopes)
    if len(found) < SHADE_PIXELS:
        return PLAIN_SHADE
    middle = np.median(found, axis=0)
    scatter = np.clip(1.4826 * np.median(np.abs(found - middle), axis=0), *SCATTER_LIMITS)
    colour = (middle - middle.mean()).astype(np.float32)
    return ShadeLook(colour, scatter.astype(np.float32), float(np.concatenate(ends).mean()))


def tell_outlined(
    rest: NDArray[np.float32], variance: NDArray[np.float32], known: LogSet
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """How surely what differs from the set ends like a body, and how surely like a soft shadow, (h, w) 0..1 each."""
    near, mass = weigh_means(rest, variance, 3)
    mismatch = np.sqrt(mean_channels(near**2 / (0.35 / mass + 0.01**2))).astype(np.float32)
    share, told = share_of_sharp_outline(near, mismatch, known)
    differs = np.clip(mismatch - 1, 0, 1)
    sharp = np.clip((share - SOFT) / (SHARP - SOFT), 0, 1) * differs
    soft = np.clip(2 * (SOFT * told - share) / SOFT, 0, 1)
    return np.asarray(sharp, np.float32), np.asarray(soft, np.float32)


def shade_says(
    near: NDArray[np.float32], spread: NDArray[np.float32], shade: ShadeLook = PLAIN_SHADE
) -> NDArray[np.float32]:
    """Log density (h, w) of a difference from the set if it is shaded, or lit by more: its colour must have stayed.

    ``near`` ``(h, w, 3)`` logs, ``spread`` their variance.
    """
    inverse = 1 / spread
    lightness = sum_channels(near * inverse) / sum_channels(inverse)
    usual = np.where(lightness < 0, SHADE_DEPTH, GLOW_HEIGHT)
    colour = spread + (SHADE_COLOUR + shade.scatter * np.abs(lightness[..., None])) ** 2
    off = near - lightness[..., None] * (1 + shade.colour)
    colour_says = -0.5 * sum_channels(off**2 / colour) - np.log(2 * np.pi) - sum_channels(np.log(colour)) / 3
    both = 0.5 * (SHADE_DEPTH + GLOW_HEIGHT)  # shadows and glows share one density that is steady at 0
    depth_says = -0.5 * (lightness / usual) ** 2 - np.log(both * np.sqrt(2 * np.pi * 3))
    return np.asarray(colour_says + depth_says, np.float32)


def weigh_means(
    values: NDArray[np.float32], variance: NDArray[np.float32], side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return means over ``side`` x ``side`` pixels weighted by certainty, and the certainty's own mean."""
    box: dict[str, Any] = {"ksize": (side, side), "borderType": cv2.BORDER_REPLICATE}
    inverse = (1 / variance).astype(np.float32)
    mass = cv2.blur(inverse, **box)
    return cv2.blur(values * inverse, **box) / mass, mass


def share_of_sharp_outline(
    near: NDArray[np.float32], mismatch: NDArray[np.float32], known: LogSet
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """How sharply what differs from the set ends round each place, (h, w) 0..1: a body at once, most shadows slowly;
    and how surely an outline was seen there, (h, w) 0..1.

    ``near``: (h, w, 3) smoothed log differences; ``mismatch``: (h, w) the same in sigma. At the outline of what
    differs, the change two pixels in is set against that eight pixels in. Where the set itself has an edge a shadow
    ends sharply too, so such outlines have little say.
    """
    changed = cv2.morphologyEx((mismatch > CLEARLY).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    outline = (changed - cv2.erode(changed, np.ones((3, 3), np.uint8))).astype(np.float32)
    outline /= 1 + (cv2.dilate(known.steep, np.ones((3, 3), np.uint8)) / EDGE_OF_SET) ** 2
    size = mean_channels(np.abs(near))
    close, deep = (cv2.dilate(size, np.ones((n, n), np.uint8)) for n in (5, 17))
    sharp = outline * close / np.maximum(deep, 1e-6)
    share, told = np.zeros_like(size), np.zeros_like(size)
    for reach in OUTLINE_REACHES:  # inside a broad body the nearest outline is far
        side = max(9, round(reach * float(np.hypot(*size.shape)))) | 1
        mass = cv2.blur(outline, (side, side))
        share += (1 - told) * cv2.blur(sharp, (side, side)) / np.maximum(mass, 1e-6)
        told += (1 - told) * np.clip(side * mass, 0, 1)  # an outline right through the box is enough
    return np.asarray(share, np.float32), np.asarray(told, np.float32)
