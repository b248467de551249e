"""What ends at an outline of its own, and what fades into the set: a second look at a frame's lit places.

A surface of the set that a close lamp lights up shines far above its usual level, and so does a lit hand or face. They
differ at their borders. Light on the set fades outwards, or ends where the set itself has an edge; a figure ends at an
outline that is in no picture of the bare set. So every lit place is compared with what it usually gets: in the ratio
of the two the set's own texture has gone, and edges that are left are outlines and borders of shadows.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.regions import Mask, disc, grow_within
from lightstack.records import FloatArray

USUAL_QUANTILE = 90.0  # of a place's light over the frames where it is open: the lamp near by, without its very best
EDGE = 1.5  # ratio across five pixels from which the set has an edge, or an outline begins
BRIGHT = 1.3  # times the usual light from which a place may be a lit figure
OUTLINED = 0.9  # share of a border that must be steep
TOLD_SHARE, TOLD_LEAST = 0.3, 10  # of a border, and pixels of it, that can tell at all
FIGURE_AREA, GLINT_AREA = 12, 80  # of a figure at least; up to the other, away from the body, it is a glint
JOINED = 3  # pixels from the body
FLOW_STEPS = 12  # pixels that light may flow from the open set into what was taken for cover
LAMP_APART = 3  # pixels round the lamp where nothing is opened again
FINE, FINER = 0.7, 0.5  # Gaussian widths against noise


class Outlines:
    """Judges lit places of single frames by their borders.

    ``usual``: (h, w) brightest channel that each place usually gets at most. ``ambient``: (h, w, 3). ``floor``: (h, w)
    level under which nothing can be told. ``unit``: how wide the picture is, 1 = 320 pixels.
    """

    def __init__(self, usual: FloatArray, ambient: FloatArray, floor: FloatArray, *, unit: float) -> None:
        self._floor = np.asarray(floor, np.float32)
        self._usual = np.log(_blur(np.asarray(usual, np.float32), FINE) + self._floor)
        bare = np.log(_blur(np.maximum(ambient, 0).sum(axis=2, dtype=np.float32), FINE) + 2 * self._floor)
        self._set_edges = (_span(bare, 2) > math.log(EDGE)) | (_span(self._usual, 2) > math.log(EDGE))
        self._unit = unit

    def open_lit_set(self, peak: NDArray[np.float32], *, lit: Mask, dark: Mask, lamp: Mask) -> Mask:
        """Say which of the places taken for lit cover belong to the open set after all, ``(h, w)`` 0 or 1.

        ``peak``: (h, w) brightest channel of the frame's lamp light. ``lit``: taken for a lit figure or for a veil.
        ``dark``: covered for sure. ``lamp``: the lamp with its margin.

        Notes: whatever can be reached from the open set without crossing an edge is the set, lit like the set beside
        it. If it is not (a sleeve of the wall's own brightness) little harm is done, because it looks like the wall.
        """
        if not lit.any():
            return np.zeros_like(lit)
        shade = np.log(_blur(np.maximum(peak, 0), FINE) + self._floor) - self._usual
        smooth = (_span(shade, 1) <= math.log(EDGE)) & (shade > 0)
        shut = cv2.dilate(dark, disc(1)) | cv2.dilate(lamp, disc(self._px(LAMP_APART)))
        passable = smooth.astype(np.uint8) & (1 - shut)
        passable = np.asarray(cv2.morphologyEx(passable, cv2.MORPH_OPEN, disc(1)), np.uint8)
        source = passable & (1 - (lit | dark | lamp))
        return grow_within(source, passable, self._px(FLOW_STEPS)) & lit & (1 - (dark | lamp))

    def close_lit_figures(self, peak: NDArray[np.float32], *, dark: Mask, body: Mask) -> Mask:
        """Find bright places that end at an outline which the bare set does not have, ``(h, w)`` 0 or 1.

        ``peak``, ``dark``: as for ``open_lit_set``. ``body``: all that is taken for cover. Small places away from
        it are reflections of the lamp in the set, which are wanted.
        """
        shade = np.log(_blur(np.maximum(peak, 0), FINER) + self._floor) - self._usual
        bright = ((shade > math.log(BRIGHT)) & (dark == 0)).astype(np.uint8)
        bright = np.asarray(cv2.morphologyEx(bright, cv2.MORPH_OPEN, disc(1)), np.uint8)
        count, labels, stats, _ = cv2.connectedComponentsWithStats(bright)
        if count < 2:
            return bright
        inside = cv2.dilate(np.where(bright > 0, shade, -9).astype(np.float32), disc(2))
        owner = cv2.dilate(labels.astype(np.float32), disc(2)).astype(np.int32)
        border = (cv2.dilate(bright, disc(2)) > 0) & (cv2.dilate(bright, disc(1)) == 0)
        tells = border & ~self._set_edges & (cv2.dilate(dark, disc(1)) == 0)
        steep = tells & (inside - shade > math.log(EDGE))
        whole, told, found = (np.bincount(owner[mask], minlength=count) for mask in (border, tells, steep))
        figure = (found >= OUTLINED * told) & (told >= np.maximum(TOLD_SHARE * whole, self._px(TOLD_LEAST)))
        joined = np.bincount(labels[cv2.dilate(body, disc(self._px(JOINED))) > 0], minlength=count) > 0
        least = np.where(joined, FIGURE_AREA, GLINT_AREA) * self._unit**2
        figure &= stats[:, cv2.CC_STAT_AREA] >= least
        figure[0] = False
        return figure[labels].astype(np.uint8)

    def _px(self, length: float) -> int:
        return max(1, round(length * self._unit))


def _blur(picture: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), width, borderType=cv2.BORDER_REFLECT), np.float32)


def _span(picture: NDArray[np.float32], radius: int) -> NDArray[np.float32]:
    """Largest less smallest value within ``radius``."""
    return np.asarray(cv2.dilate(picture, disc(radius)) - cv2.erode(picture, disc(radius)), np.float32)
