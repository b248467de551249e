"""From evidence to outlines: the cheapest parting of a picture into figure and set.

The parting minimises ``sum(-score * u) + sum(weight * |step of u|)`` over ``u`` in 0..1. It is convex, and what
reaches 1 and 0 is the best of all partings into two. Outlines are cheap where the hero has an edge that the set lacks.

References
----------
Chambolle & Pock, A first-order primal-dual algorithm for convex problems, J. Math. Imaging Vis. 40, 2011, alg. 1.
Chan, Esedoglu & Nikolova, Algorithms for finding global minimizers of image segmentation, SIAM J. Appl. Math. 66, 2006.
Sun, Zhang, Tang & Shum, Background cut, ECCV 2006: edges of the set made dear.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop

__all__ = ["edge_weights", "part_picture"]

STIFFNESS = 3.0  # cost of one pixel of outline where nothing marks it
FREE_SHARE = 0.06  # of that where a clear edge does
STEP_SIGMAS = 3.0


def edge_weights(
    logs: NDArray[np.float32], rest: NDArray[np.float32], sigma: NDArray[np.float32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Cost of an outline between neighbours, to the right and down, each ``(h, w)``.

    ``logs``: of the frame ``(h, w, 3)``. ``rest``: what is left of its difference from the set. ``sigma``: (h, w) of
    that. An edge counts where both have it: the set's own edges leave none in ``rest``, and where the set is hidden
    its edges are none of the frame's.
    """
    soft: dict[str, Any] = {"ksize": (0, 0), "sigmaX": 0.7, "borderType": cv2.BORDER_REPLICATE}
    frame, left = cv2.GaussianBlur(logs, **soft), cv2.GaussianBlur(rest, **soft)
    weights = []
    for axis in (1, 0):
        both = np.minimum(_step(frame, axis), _step(left, axis))
        clear = (both / (STEP_SIGMAS * sigma + 0.02)) ** 2
        weights.append((STIFFNESS * (FREE_SHARE + (1 - FREE_SHARE) * np.exp(-clear))).astype(np.float32))
    return weights[0], weights[1]


def _step(picture: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    last = np.take(picture, [-1], axis)
    difference = np.diff(picture, axis=axis, append=last)
    return np.asarray(np.abs(difference).max(-1), np.float32)


def part_picture(
    score: NDArray[np.float32],
    across: NDArray[np.float32],
    down: NDArray[np.float32],
    *,
    start: NDArray[np.float32] | None = None,
    rounds: int = 120,
) -> NDArray[np.float32]:
    """Part a picture by evidence ``score`` (h, w) and outline costs; returns ``u`` (h, w) 0..1, 1 = figure.

    ``start``: a guess, such as the parting of the frame before.
    """
    first = np.asarray(score > 0, np.float32) if start is None else start.astype(np.float32)
    u, px, py = first.copy(), np.zeros_like(first), np.zeros_like(first)
    _relax(u, px, py, score.astype(np.float32), across, down, rounds)
    return u


@compile_loop()
def _relax(u, px, py, score, across, down, rounds):
    height, width = u.shape
    step_u, step_p = np.float32(0.25), np.float32(0.5)
    ahead = u.copy()
    for _ in range(rounds):
        for y in range(height):
            for x in range(width):
                if x + 1 < width:
                    value = px[y, x] + step_p * (ahead[y, x + 1] - ahead[y, x])
                    px[y, x] = min(max(value, -across[y, x]), across[y, x])
                if y + 1 < height:
                    value = py[y, x] + step_p * (ahead[y + 1, x] - ahead[y, x])
                    py[y, x] = min(max(value, -down[y, x]), down[y, x])
        for y in range(height):
            for x in range(width):
                gather = px[y, x] + py[y, x] + score[y, x]
                if x > 0:
                    gather -= px[y, x - 1]
                if y > 0:
                    gather -= py[y - 1, x]
                old = u[y, x]
                new = min(max(old + step_u * gather, np.float32(0)), np.float32(1))
                u[y, x] = new
                ahead[y, x] = np.float32(2) * new - old
