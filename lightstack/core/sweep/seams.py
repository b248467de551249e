"""Seams of a plate: where a mask cuts a still's light off, it is carried on past the cut and dies away.

A plate takes every place from the still that lit it best. Where that still's mask begins (the lamp, its carrier), the
next best takes over, and its light is another: a torn edge that no lamp would draw. Of two neighbours p and q with such
a cut between them, a third still that shows both tells how light goes from p to q. What the plate's own step differs
from that is the seam's, and a gain exp(u) that takes it off is found from

    minimise  sum over neighbours  (u_q - u_p - d_pq)^2  +  sum  (u / length)^2,     0 <= u <= most,

d_pq = log(c_q / c_p) - log(plate_q / plate_p) at cuts, c the best still that shows both, and 0 everywhere else. u is 0
on the brighter side, which was measured, and falls off over ``length`` on the darker one. Nothing is made where nobody
was lit: a gain leaves no light as it is.

References: Perez, Gangnet and Blake, Poisson image editing, ACM Transactions on Graphics 22(3), 2003 (gradients that
are put together); Bhat, Curless, Cohen and Zitnick, Fourier analysis of the 2D screened Poisson equation for gradient
domain problems, ECCV 2008 (the second sum).
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop, run_bands
from lightstack.records import BoolArray, FloatArray

__all__ = ["MOST_STOPS", "SeamTally", "raise_rows", "seam_step", "shrink_still"]

LONG_SIDE = 960  # of the pictures that seams are looked for in, at most
LENGTH = 0.008  # of the width, over which a carried light dies away
MOST_STOPS = 1.5  # that a light is raised at the most
WHOLE = np.float32(0.99)  # validity from which on a still shows a place
BLUR_PX = 0.8
SURE_SIGMA = 3.0  # light that is weaker tells nothing
ROUNDS, RELAXATION = 40, np.float32(1.5)  # far more than a light carries on: what is left is below 1e-3
LEAST = np.float32(1e-3)
UNSEEN = np.float32(0.005)  # a gain that is smaller is none: most of a plate is what was measured, to the bit
NOBODY = -1
SAME_LIGHT = np.float32(0.15)  # of a logarithm: light of a pixel and of a place that are on the same side of a cut
AS_BRIGHT, NEXT_TO_CUT = np.float32(0.95), np.float32(1.1)
STRANGER = np.float32(1e-4)  # weight of a place on the other side: asked where all four are


def seam_step(size: tuple[int, int]) -> int:
    """Return by how much pictures (H, W) are shrunk for seams to be looked for: a power of two."""
    step = 1
    while max(size) > LONG_SIDE * step:
        step *= 2
    return step


@compile_loop()
def shrink_still(light, valid, weights, step, lit, trust):  # type: ignore[no-untyped-def]
    """Average a still over boxes of ``step`` x ``step``, at the far edges over what is left.

    ``light`` (H, W, 3), ``valid`` (H, W), ``weights`` (3,); into ``lit`` (h, w) valid light, ``trust`` (h, w).
    """
    height, width = valid.shape
    for y in range(lit.shape[0]):
        last = min((y + 1) * step, height)
        for x in range(lit.shape[1]):
            right = min((x + 1) * step, width)
            value, share = np.float32(0), np.float32(0)
            for row in range(y * step, last):
                for column in range(x * step, right):
                    v = valid[row, column]
                    if v > np.float32(0):
                        one = (
                            weights[0] * light[row, column, 0]
                            + weights[1] * light[row, column, 1]
                            + weights[2] * light[row, column, 2]
                        )
                        if np.isfinite(one):
                            value += v * one
                            share += v
            count = np.float32((last - y * step) * (right - x * step))
            lit[y, x], trust[y, x] = max(value, np.float32(0)) / count, share / count


class SeamTally:
    """What stills tell of a plate's seams, one after the other, at small size (h, w).

    ``sigma``: of one still's noise there. Memory does not grow with the stills but by a bit for each place.
    """

    def __init__(self, size: tuple[int, int], sigma: float) -> None:
        self._sigma = np.float32(max(sigma, 1e-5))
        self._peak: NDArray[np.float32] = np.zeros(size, np.float32)
        self._winner: NDArray[np.int32] = np.full(size, NOBODY, np.int32)
        self._across, self._down = np.zeros((2, *size), np.float32), np.zeros((2, *size), np.float32)
        self._shown: list[NDArray[np.uint8]] = []

    def add(self, lit: FloatArray, trust: FloatArray) -> None:
        """Take in a still: ``lit`` (h, w) its valid light, ``trust`` (h, w) 0..1."""
        shown = trust >= WHOLE
        level = _blur_shown(lit, shown)
        better = level > self._peak
        self._winner[better] = len(self._shown)
        np.maximum(self._peak, level, out=self._peak)
        self._shown.append(np.packbits(shown, axis=1))
        run_bands(_keep_best, len(lit), 8 * lit.shape[1], level, shown, self._across, self._down)

    def find_lift(self) -> NDArray[np.float32]:
        """Return the natural logarithm of the gain, (h, w), for the plate of these stills."""
        if not self._shown:
            return np.zeros(self._peak.shape, np.float32)
        shown = np.stack(self._shown)
        across, down = self._find_steps(self._across, shown, 1), self._find_steps(self._down, shown, 0)
        height, width = self._peak.shape
        lift = np.zeros((height, width), np.float32)
        length = LENGTH * width
        near = _find_near(across, down, length)
        if not near.any():
            return lift
        hold = np.float32(1 / length**2)
        most = np.float32(MOST_STOPS * np.log(2))
        for _ in range(ROUNDS):
            for colour in (0, 1):
                run_bands(_relax, height, 4 * width, lift, across, down, near, colour, hold, most)
        return np.maximum(lift - UNSEEN, 0)

    @property
    def level(self) -> NDArray[np.float32]:
        """(h, w) the strongest light of these stills."""
        return self._peak

    def _find_steps(self, best: FloatArray, shown: NDArray[np.uint8], axis: int) -> NDArray[np.float32]:
        """Return by how much u should rise from every place to its next one along an axis, 0 where there is no cut."""
        level = self._peak
        here, there = _ends(axis)
        first, second = best[0][here], best[1][here]
        cut = self._is_cut(shown, axis) & (np.minimum(first, second) > SURE_SIGMA * self._sigma)
        cut &= np.minimum(level[here], level[there]) > 0
        floor = self._sigma
        wanted = np.log((second[cut] + floor) / (first[cut] + floor))
        steps = np.zeros(level.shape, np.float32)
        inner = steps[here]
        inner[cut] = wanted - np.log((level[there][cut] + floor) / (level[here][cut] + floor))
        return steps

    def _is_cut(self, shown: NDArray[np.uint8], axis: int) -> BoolArray:
        """Return where a mask lies between the winner of a place and the place beside it, on either side."""
        cut = np.zeros(self._winner[_ends(axis)[0]].shape, np.bool_)
        _mark_cuts(self._winner, shown, axis, cut)
        return cut


def _ends(axis: int) -> tuple[Any, Any]:
    """Return the two ends of every pair of neighbours along an axis."""
    whole, before, after = slice(None), slice(None, -1), slice(1, None)
    return ((before, whole), (after, whole)) if axis == 0 else ((whole, before), (whole, after))


def _blur_shown(lit: FloatArray, shown: BoolArray) -> NDArray[np.float32]:
    """Blur what a still shows, to which what it hides lends nothing; a mask's soft border stays as it is."""
    share = shown.astype(np.float32)
    smooth = cv2.GaussianBlur(lit * share, (0, 0), BLUR_PX)
    smooth /= np.maximum(cv2.GaussianBlur(share, (0, 0), BLUR_PX), LEAST)
    return np.where(shown, smooth, lit)


def _find_near(across: FloatArray, down: FloatArray, length: float) -> BoolArray:
    """Return the places that a cut is near enough to for its light to be carried there."""
    cut = ((across != 0) | (down != 0)).astype(np.uint8)
    side = 2 * round(6 * length) + 3
    return cv2.dilate(cut, np.ones((side, side), np.uint8)) > 0


@compile_loop()
def raise_rows(first, last, light, weights, lift, level, step):  # type: ignore[no-untyped-def]
    """Raise rows of a picture (H, W, 3) in place by a gain's logarithm (h, w) that is known at small size.

    Between places it is read bilinearly, pixel centres at .5, of the four that surround a pixel those most whose
    ``level`` (h, w) is the pixel's own: what is raised on one side of a cut does not reach over to the other. A pixel
    as bright as a brighter place beside its own is raised no more than that one: a cut may run through a place.
    ``weights``: (3,) of the channels in it.

    References: Kopf, Cohen, Lischinski and Uyttendaele, Joint bilateral upsampling, ACM Transactions on Graphics 26(3),
    2007.
    """
    height, width = lift.shape
    for row in range(first, last):
        y = (np.float32(row) + np.float32(0.5)) / step - np.float32(0.5)
        top = int(np.floor(y))
        down = y - top
        for column in range(light.shape[1]):
            x = (np.float32(column) + np.float32(0.5)) / step - np.float32(0.5)
            left = int(np.floor(x))
            right = x - left
            most = np.float32(0)
            for i in range(4):
                most = max(most, lift[min(max(top + i // 2, 0), height - 1), min(max(left + i % 2, 0), width - 1)])
            if most == np.float32(0):
                continue
            own = np.float32(0)
            for c in range(3):
                own += weights[c] * light[row, column, c]
            value, total = np.float32(0), np.float32(0)
            for i in range(4):
                place = min(max(top + i // 2, 0), height - 1), min(max(left + i % 2, 0), width - 1)
                share = (down if i // 2 else 1 - down) * (right if i % 2 else 1 - right)
                apart = np.log(max(own, LEAST) / max(level[place], LEAST)) / SAME_LIGHT
                share *= STRANGER + np.exp(-np.float32(0.5) * apart * apart)
                value += share * lift[place]
                total += share
            value /= total
            brightest, held = np.float32(0), np.float32(0)
            for i in range(9):
                place = row // step + i // 3 - 1, column // step + i % 3 - 1
                if 0 <= place[0] < height and 0 <= place[1] < width and level[place] > brightest:
                    brightest, held = level[place], lift[place]
            at_cut = step > 1 and brightest > NEXT_TO_CUT * level[row // step, column // step]
            gain = np.exp(min(value, held) if at_cut and own > AS_BRIGHT * brightest else value)
            for c in range(3):
                light[row, column, c] *= gain


@compile_loop()
def _keep_best(first, last, level, shown, across, down):  # type: ignore[no-untyped-def]
    """Keep the levels of both ends of every pair of neighbours, of the still that shows both and lights them best."""
    height, width = level.shape
    for y in range(first, last):
        for x in range(width):
            if not shown[y, x]:
                continue
            here = level[y, x]
            if x + 1 < width and shown[y, x + 1]:
                beside = level[y, x + 1]
                if min(here, beside) > min(across[0, y, x], across[1, y, x]):
                    across[0, y, x], across[1, y, x] = here, beside
            if y + 1 < height and shown[y + 1, x]:
                below = level[y + 1, x]
                if min(here, below) > min(down[0, y, x], down[1, y, x]):
                    down[0, y, x], down[1, y, x] = here, below


@compile_loop()
def _mark_cuts(winner, shown, axis, cut):  # type: ignore[no-untyped-def]
    """Mark pairs of neighbours along an axis of which the winner of one is hidden at either; ``shown`` packs bits."""
    down, right = 1 - axis, axis
    for y in range(cut.shape[0]):
        for x in range(cut.shape[1]):
            for number in (winner[y, x], winner[y + down, x + right]):
                if number < 0:
                    continue
                here = shown[number, y, x // 8] >> (7 - x % 8) & 1
                there = shown[number, y + down, (x + right) // 8] >> (7 - (x + right) % 8) & 1
                if not (here and there):
                    cut[y, x] = True


@compile_loop()
def _relax(first, last, lift, across, down, near, colour, hold, most):  # type: ignore[no-untyped-def]
    """Bring every second place, as on a chessboard, closer to what its neighbours ask of it."""
    height, width = lift.shape
    for y in range(first, last):
        for x in range((y + colour) % 2, width, 2):
            if not near[y, x]:
                continue
            asked, weight = np.float32(0), hold
            if x + 1 < width:
                asked, weight = asked + lift[y, x + 1] - across[y, x], weight + np.float32(1)
            if x > 0:
                asked, weight = asked + lift[y, x - 1] + across[y, x - 1], weight + np.float32(1)
            if y + 1 < height:
                asked, weight = asked + lift[y + 1, x] - down[y, x], weight + np.float32(1)
            if y > 0:
                asked, weight = asked + lift[y - 1, x] + down[y - 1, x], weight + np.float32(1)
            wish = lift[y, x] + RELAXATION * (asked / weight - lift[y, x])
            lift[y, x] = min(max(wish, np.float32(0)), most)
