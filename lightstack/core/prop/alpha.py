"""The thing's matte and its own light, where the set behind it is known.

Every pixel is ``own + (1 - alpha) * set``. Inside, alpha is 1; in a band as wide as blur and motion make the edge it
follows from the pixel's place between the set's colour and the thing's, carried out from its inside. What moves
farther than it is wide has no inside: its colour comes from frames in which it had one.

References
----------
Porter & Duff, Compositing digital images, SIGGRAPH 1984: the mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.matte.light import carry_on
from lightstack.core.regions import disc
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["PropMatte", "measure_width", "own_trust", "reach_of", "solve_prop"]

OPEN_SHUTTER = 0.6  # of the way from frame to frame that one exposure may smear over: a half-turn shutter and some more
RIM = 2.0  # pixels on either side of a mask's outline in which an edge lies, at survey size
COLOUR_ERROR = 0.06  # of the level: how well the thing's colour is known beside its inside
ROUNDS = 12
TIE = 6.0
LEAST = 0.012  # alpha below which there is nothing


@dataclass(frozen=True, slots=True)
class PropMatte:
    """``alpha`` (h, w) 0..1; ``own`` (h, w, 3) the thing's light times alpha, without the set's."""

    alpha: NDArray[np.float32]
    own: NDArray[np.float32]


def reach_of(velocity: NDArray[np.float64], scale: float) -> int:
    """Return how far, in pixels, an edge may lie from a mask's outline."""
    return int(np.ceil(RIM * scale + 1 + OPEN_SHUTTER * float(np.hypot(*velocity))))


def motion_kernel(velocity: NDArray[np.float64], radius: float) -> NDArray[np.uint8]:
    """Return a structuring element: a disc drawn along the way of one exposure."""
    way = OPEN_SHUTTER * np.asarray(velocity, np.float64) / 2
    reach = int(np.ceil(radius + np.abs(way).max())) + 1
    kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.uint8)
    ends = [tuple(int(v) for v in np.rint(reach + sign * way)) for sign in (-1, 1)]
    cv2.line(kernel, ends[0], ends[1], 1, 1)
    return np.asarray(cv2.dilate(kernel, disc(max(1, round(radius)))), np.uint8)


def solve_prop(
    frame: FloatArray,
    behind: FloatArray,
    mask: BoolArray,
    *,
    velocity: NDArray[np.float64],
    colour: FloatArray,
    noise: NoiseModel,
    scale: float = 1.0,
    closed: BoolArray | None = None,
) -> PropMatte:
    """Solve a thing's matte in a piece of a frame.

    Parameters
    ----------
    frame, behind : ``(h, w, 3)`` linear light; the set as lit in this frame, its shadow included.
    mask : (h, w) the thing, roughly. velocity : (2,) pixels from frame to frame.
    colour : (3,) the thing's usual light, for where it has no inside. noise : of one frame.
    scale : pixels of this picture to one of that in which the mask was found. closed : (h, w) where it must not be.
    """
    frame, behind = np.asarray(frame, np.float32), np.asarray(behind, np.float32)
    kernel = motion_kernel(velocity, RIM * scale)
    rough = mask.astype(np.uint8)
    inside = cv2.erode(rough, kernel) > 0
    zone = cv2.dilate(rough, kernel) > 0
    if closed is not None:
        zone, inside = zone & ~closed, inside & ~closed
    front, scatter = carry_colour(frame, inside, colour, scale)
    variance = noise.sigma(np.maximum(0.5 * (front + behind), 0)) ** 2 + scatter + (COLOUR_ERROR * front) ** 2 * 0.25
    variance = variance.astype(np.float32) + np.float32(1e-9)
    apart = front - behind
    contrast = (apart**2 / variance).sum(-1)
    place = ((frame - behind) * apart / variance).sum(-1) / np.maximum(contrast, 1e-6)
    alpha = np.where(inside, 1, np.where(zone, np.clip(place, 0, 1), 0)).astype(np.float32)
    alpha = settle(alpha, np.minimum(contrast, 1e4), zone & ~inside)
    alpha = drop_faint(np.where(alpha < LEAST, 0, np.where(alpha > 0.985, 1, alpha)).astype(np.float32), inside)
    return PropMatte(alpha, take_own(frame, behind, front, alpha))


def carry_colour(
    frame: NDArray[np.float32], inside: BoolArray, colour: FloatArray, scale: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Carry the thing's light out from its inside, with its variance there, ``(h, w, 3)`` each."""
    if int(inside.sum()) < 6:
        flat = np.broadcast_to(np.asarray(colour, np.float32), frame.shape)
        return flat, np.asarray((0.15 * flat) ** 2, np.float32)
    mass = inside.astype(np.float32)
    stacked = np.concatenate([frame, frame**2], axis=-1) * mass[..., None]
    both = carry_on(stacked, mass, sigmas=[scale * s for s in (1.5, 4.0, 12.0)])
    front = np.ascontiguousarray(both[..., :3])
    return np.where(inside[..., None], frame, front), np.maximum(both[..., 3:] - front**2, 0)


def settle(alpha: NDArray[np.float32], contrast: NDArray[np.float32], band: BoolArray) -> NDArray[np.float32]:
    """Let neighbours decide as far as a pixel itself says little."""
    first, now = alpha, alpha
    ties = np.float32(TIE)
    for _ in range(ROUNDS):
        near = cv2.blur(now, (3, 3), borderType=cv2.BORDER_REPLICATE)
        now = np.where(band, (contrast * first + ties * near) / (contrast + ties), first)
    return np.asarray(now, np.float32)


def drop_faint(alpha: NDArray[np.float32], inside: BoolArray) -> NDArray[np.float32]:
    """Drop parts that nowhere are half as dense as the densest."""
    count, labels = cv2.connectedComponents((alpha > 0).astype(np.uint8))
    if count <= 2:
        return alpha
    peaks = np.zeros(count, np.float32)
    np.maximum.at(peaks, labels.ravel(), alpha.ravel())
    keep = peaks >= 0.5 * peaks[1:].max()
    keep[0] = False
    return np.where(keep[labels] | inside, alpha, 0).astype(np.float32)


def take_own(
    frame: NDArray[np.float32], behind: NDArray[np.float32], front: NDArray[np.float32], alpha: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Take the set's share out of a frame; thin mixtures lean on the thing's own colour."""
    share = alpha[..., None]
    own = np.maximum(frame - (1 - share) * behind, 0)
    trust = own_trust(share)
    return np.where(share > 0, trust * own + (1 - trust) * share * np.maximum(front, 0), 0).astype(np.float32)


def own_trust(alpha: FloatArray) -> NDArray[np.float32]:
    """Return how far a mixture's own light is that of the frame, 0..1; the rest is the thing's smooth colour."""
    return np.asarray(np.clip((alpha - 0.1) / 0.4, 0, 1), np.float32)


def measure_width(alpha: FloatArray) -> float:
    """Return how wide a matte's edge is, in pixels: the sum of its slopes over the sum of their squares.

    Along an edge that rises evenly from 0 to 1 over w pixels, the slope is 1 / w for w pixels.
    """
    soft = np.asarray(alpha, np.float32)
    slopes = np.hypot(*(cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx, scale=1 / 8) for dx in (1, 0)))
    square = float((slopes**2).sum())
    return float(slopes.sum()) / square if square > 0 else float("nan")
