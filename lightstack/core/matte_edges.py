"""Soft edges at full size: what is behind is known, what is in front is carried out from the figure's inside.

In the band between sure figure and sure set every pixel is a mixture ``alpha * figure + (1 - alpha) * set``. The share
follows from the pixel's place between the two colours, as surely as they are apart against the noise; where they are
alike, neighbours and the band's own shape decide.

References
----------
Porter & Duff, Compositing digital images, SIGGRAPH 1984: the mixture.
Rhemann et al., A perceptually motivated online benchmark for image matting, CVPR 2009: how mattes are judged.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.matte_light import carry_on
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["SolvedEdge", "solve_alpha"]

REACHES = (1.5, 4.0, 12.0)  # pixels over which the figure's colour is carried outwards
MODEL_ERROR = 0.02  # of the level, in how well figure and set colours are known
TIE = 12.0  # how much neighbours of the same colour hold together, in squared contrasts
TIE_SIGMAS = 3.0
MOST_CERTAIN, GUESS_SAYS = 400.0, 1.0  # squared contrasts
ROUNDS = 40


@dataclass(frozen=True, slots=True)
class SolvedEdge:
    """``alpha`` (h, w) 0..1; ``figure`` (h, w, 3) the figure's own colour, linear, 0 where alpha is 0; ``contrast``
    (h, w) how far figure and set are apart, in sigma (infinite outside the band)."""

    alpha: NDArray[np.float32]
    figure: NDArray[np.float32]
    contrast: NDArray[np.float32]


def solve_alpha(
    frame: FloatArray,
    set_now: FloatArray,
    sure: BoolArray,
    band: BoolArray,
    *,
    noise: NoiseModel,
    noise_share: FloatArray | float = 1.0,
    guess: FloatArray | None = None,
    reach: float = 1.0,
) -> SolvedEdge:
    """Solve the mixture in a band.

    Parameters
    ----------
    frame, set_now : ``(h, w, 3)`` linear light; the set as lit in this frame.
    sure : (h, w) sure figure. band : (h, w) where it is not known; everything else is set.
    noise : of one frame. noise_share : what averaging left of its variance.
    guess : (h, w) 0..1, a rough matte to fall back on where figure and set look alike; by default neighbours decide.
    reach : factor on the distances over which the figure's colour is carried (larger pictures, larger factors).
    """
    frame, behind = (np.asarray(p, np.float32) for p in (frame, set_now))
    if not (sure.any() or band.any()):
        blank = np.zeros(frame.shape[:2], np.float32)
        return SolvedEdge(blank, np.zeros_like(frame), np.full_like(blank, np.inf))
    inside = sure & ~band
    front, scatter = _carry_figure(frame, behind, inside, band, reach)
    share = np.asarray(noise_share, np.float32)
    share = share[..., None] if share.ndim == 2 else share
    variance = noise.sigma(0.5 * (front + behind)) ** 2 * share + (MODEL_ERROR * behind) ** 2 + 0.5 * scatter + 1e-12
    apart = front - behind
    contrast = (apart**2 / variance).sum(-1)
    place = ((frame - behind) * apart / variance).sum(-1) / np.maximum(contrast, 1e-9)
    alpha = np.where(inside, 1, np.where(band, np.clip(place, 0, 1), 0)).astype(np.float32)
    sigma = np.sqrt(variance).astype(np.float32)
    certain = np.minimum(contrast, MOST_CERTAIN).astype(np.float32)
    if guess is not None:
        alpha = np.where(band, (certain * alpha + GUESS_SAYS * guess) / (certain + GUESS_SAYS), alpha)
        certain = certain + np.float32(GUESS_SAYS)
    alpha = _settle(alpha.astype(np.float32), certain, frame, sigma, band)
    figure = _clean_colour(frame, behind, front, alpha)
    return SolvedEdge(alpha, figure, np.where(band, np.sqrt(contrast), np.inf).astype(np.float32))


def _carry_figure(
    frame: NDArray[np.float32], behind: NDArray[np.float32], inside: BoolArray, band: BoolArray, reach: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Carry the figure's colour into the band, with its variance there (both ``(h, w, 3)``).

    Where no inside is at hand, what lies farthest from the set is taken for it.
    """
    mass = inside.astype(np.float32)
    if not inside.any():
        gap = np.abs(frame - behind).sum(-1) * band
        mass = (gap >= np.quantile(gap[band], 0.9)).astype(np.float32)
    sigmas = [reach * r for r in REACHES]
    both = carry_on(np.concatenate([frame, frame**2], axis=-1) * mass[..., None], mass, sigmas=sigmas)
    front = np.ascontiguousarray(both[..., :3])
    scatter = np.maximum(both[..., 3:] - front**2, 0)
    return np.where(inside[..., None], frame, front), scatter


def _settle(
    alpha: NDArray[np.float32],
    contrast: NDArray[np.float32],
    frame: NDArray[np.float32],
    sigma: NDArray[np.float32],
    band: BoolArray,
) -> NDArray[np.float32]:
    """Let neighbours decide as far as the mixture itself says little; sure figure and set stay as they are."""
    rows, columns = np.nonzero(band)
    settled = alpha.copy()
    _settle_loop(settled, alpha, contrast, frame, sigma, rows, columns, ROUNDS)
    return settled


@compile_loop()
def _settle_loop(settled, alpha, contrast, frame, sigma, rows, columns, rounds):
    height, width = alpha.shape
    count = len(rows)
    ties = np.zeros((count, 4), np.float32)
    for i in range(count):
        y, x = rows[i], columns[i]
        for n in range(4):
            v, u = y + (n == 0) - (n == 1), x + (n == 2) - (n == 3)
            if 0 <= v < height and 0 <= u < width:
                gap = np.float32(0)
                for c in range(3):
                    step = (frame[y, x, c] - frame[v, u, c]) / (np.float32(TIE_SIGMAS) * sigma[y, x, c])
                    gap += step * step
                ties[i, n] = np.float32(TIE) / (np.float32(1) + gap) + np.float32(0.02)
    for round in range(rounds):
        for j in range(count):
            i = j if round % 2 == 0 else count - 1 - j
            y, x = rows[i], columns[i]
            total, mass = contrast[y, x] * alpha[y, x], contrast[y, x]
            for n in range(4):
                v, u = y + (n == 0) - (n == 1), x + (n == 2) - (n == 3)
                if ties[i, n] > 0:
                    total += ties[i, n] * settled[v, u]
                    mass += ties[i, n]
            settled[y, x] = total / mass


def _clean_colour(
    frame: NDArray[np.float32], behind: NDArray[np.float32], front: NDArray[np.float32], alpha: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Take the set out of the mixture; thin mixtures lean on the carried colour."""
    share = alpha[..., None]
    own = np.maximum((frame - (1 - share) * behind) / np.maximum(share, 0.05), 0)
    trust = np.clip((share - 0.2) / 0.6, 0, 1)
    colour = trust * own + (1 - trust) * front
    return np.where(share > 0, np.where(share >= 1, frame, colour), 0).astype(np.float32)
