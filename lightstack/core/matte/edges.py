"""Soft edges at full size: what is behind is known, what is in front is carried out from the figure's inside.

In the band between sure figure and sure set every pixel is a mixture ``alpha * figure + (1 - alpha) * set``. Each
share is weighed by how well it explains the pixel, where the set's colour is known but for noise and the figure's but
for its own scatter; where figure and set are alike, neighbours and the parting decide. All of it is done on lists of
pixels (`matte_band`), in luminance and two colour differences: cameras thin out colour, so at an edge it tells less.

References
----------
Porter & Duff, Compositing digital images, SIGGRAPH 1984: the mixture.
Chuang, Curless, Salesin & Szeliski, A Bayesian approach to digital matting, CVPR 2001: shares weighed by likelihood.
Rhemann et al., A perceptually motivated online benchmark for image matting, CVPR 2009: how mattes are judged.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.matte.band import FIGURE, Band, list_band, pick, sample
from lightstack.core.matte.light import carry_on
from lightstack.core.numbers import sum_channels
from lightstack.records import BoolArray, FloatArray, NoiseModel

__all__ = ["EdgeColours", "SolvedBand", "SolvedEdge", "carry_figure", "solve_alpha", "solve_band", "split_light"]

REACHES = (1.5, 4.0, 12.0)  # survey pixels over which the figure's colour is carried outwards
MODEL_ERROR = 0.02  # of the level, in how well the set's colour is known
FIGURE_ERROR = 0.04  # of the level, in how well the figure's is, beside its scatter
THINNED = 0.08  # of the contrast in colour: what half-size chroma leaves of an edge's place
STEPS = 16  # shares that are tried
TIE = 24.0  # how much neighbours hold together, in squared contrasts
TIE_SIGMAS = 3.0
LEAST_TIE = 4.0  # the same across an edge that only the frame has
GUESS_SAYS, NEIGHBOURS_SAY = 2.0, 20.0  # squared contrasts
PURE = 6.0  # how much likelier sure figure and sure set are than any of the shares tried between
ROUNDS = 24
Floats = NDArray[np.float32]
# luminance, and red and blue less luminance. REFERENCE  ITU-R BT.709-6, item 3.2.
LUMA = np.array([0.2126, 0.7152, 0.0722])
APART = np.array([LUMA, np.array([1, 0, 0]) - LUMA, np.array([0, 0, 1]) - LUMA]).astype(np.float32)
BACK = np.linalg.inv(APART).astype(np.float32)


@dataclass(frozen=True, slots=True)
class SolvedEdge:
    """``alpha`` (h, w) 0..1; ``figure`` (h, w, 3) the figure's own colour, linear, 0 where alpha is 0; ``contrast``
    (h, w) how far figure and set are apart, in sigma (infinite outside the band)."""

    alpha: Floats
    figure: Floats
    contrast: Floats


@dataclass(frozen=True, slots=True, eq=False)
class EdgeColours:
    """Of a band's n pixels, linear light: ``seen`` (n, 3) the frame; ``behind`` (n, 3) the set as lit in it; ``front``
    and ``scatter`` (n, 3) the figure's colour and its variance, both in luminance and colour differences; ``share``
    (n,) what averaging left of the noise; ``guess`` (n,) 0..1 a rough matte."""

    seen: Floats
    behind: Floats
    front: Floats
    scatter: Floats
    share: Floats
    guess: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SolvedBand:
    """``alpha`` (n,) 0..1; ``figure`` (n, 3) the figure's own colour; ``contrast`` (n,) in sigma."""

    alpha: Floats
    figure: Floats
    contrast: Floats


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
    frame, set_now = np.asarray(frame, np.float32), np.asarray(set_now, np.float32)
    inside = np.asarray(sure & ~band)
    alpha = inside.astype(np.float32)
    figure = np.where(inside[..., None], frame, np.float32(0))
    contrast = np.full(alpha.shape, np.inf, np.float32)
    listed = list_band(band, inside)
    if not len(listed):
        return SolvedEdge(alpha, figure, contrast)
    rows, columns = listed.rows, listed.columns
    seen, behind = pick(frame, rows, columns), pick(set_now, rows, columns)
    core = split_light(frame)
    front = sample(carry_figure(core, core**2, pick_inside(frame, set_now, inside, band), reach), rows, columns, (1, 1))
    share = np.broadcast_to(np.asarray(noise_share, np.float32), alpha.shape)[rows, columns]
    rough = np.full(len(rows), 0.5, np.float32) if guess is None else np.asarray(guess, np.float32)[rows, columns]
    colours = EdgeColours(seen, behind, front[:, :3], front[:, 3:], np.ascontiguousarray(share), rough)
    solved = solve_band(colours, listed, noise=noise, guess_says=0.0 if guess is None else GUESS_SAYS)
    alpha[rows, columns], figure[rows, columns], contrast[rows, columns] = solved.alpha, solved.figure, solved.contrast
    return SolvedEdge(alpha, figure, contrast)


def pick_inside(frame: Floats, set_now: Floats, inside: BoolArray, band: BoolArray) -> Floats:
    """Say where the figure's colour is taken from, (h, w) 0 or 1: its inside, or what in the band lies farthest from
    the set where it has none."""
    if inside.any():
        return inside.astype(np.float32)
    gap = sum_channels(np.abs(frame - set_now)) * band
    return np.asarray(gap >= np.quantile(gap[band], 0.9), np.float32)


def carry_figure(mean: Floats, square: Floats, mass: Floats, reach: float = 1.0) -> Floats:
    """Carry the figure's colour outwards, ``(h, w, 6)``: the colour, then its variance.

    ``mean`` and ``square`` ``(h, w, 3)``: of the figure's pixels, and of their squares; ``mass`` (h, w) their weight.
    """
    both = carry_on(np.concatenate([mean, square], -1) * mass[..., None], mass, sigmas=[reach * r for r in REACHES])
    both[..., 3:] = np.maximum(both[..., 3:] - both[..., :3] ** 2, 0)
    return both


def solve_band(
    colours: EdgeColours, band: Band, *, noise: NoiseModel, guess_says: float = GUESS_SAYS
) -> SolvedBand:
    """Weigh shares pixel by pixel, let neighbours settle them, and do so once more with what they say."""
    seen, behind = split_light(colours.seen), split_light(colours.behind)
    fixed, known, own = spread_errors(colours, behind, noise)
    ties = np.empty((len(band), 4), np.float32)
    _tie_neighbours(seen, behind, fixed, band.beside, ties)
    expected, says = colours.guess, np.full(len(band), guess_says, np.float32)
    for _ in range(2):
        mean, certain = np.empty((2, len(band)), np.float32)
        _weigh_shares(seen, behind, colours.front, fixed, known, own, expected, says, mean, certain)
        settled = mean.copy()
        _settle_loop(settled, mean, certain, ties, band.beside, ROUNDS)
        expected, says = settled, np.full(len(band), NEIGHBOURS_SAY, np.float32)
    contrast = np.sqrt(sum_channels((colours.front - behind) ** 2 / (fixed + known + own)))
    front = np.maximum(colours.front @ BACK.T, np.float32(0))
    return SolvedBand(settled, clean_colour(colours.seen, colours.behind, front, settled), contrast)


def spread_errors(colours: EdgeColours, behind: Floats, noise: NoiseModel) -> tuple[Floats, Floats, Floats]:
    """Return variances (n, 3), in luminance and colour differences: of every mixture; of the set; of the figure."""
    noisy = np.maximum(colours.seen, 0) * noise.a.astype(np.float32) + noise.b.astype(np.float32)
    gap = (colours.front - behind) ** 2
    fixed = split_variance(np.maximum(noisy, np.float32(1e-12)) * colours.share[:, None])
    fixed += np.float32((0.5 / STEPS) ** 2) * gap
    fixed[:, 1:] += np.float32(THINNED**2) * gap[:, 1:]
    known = split_variance((np.float32(MODEL_ERROR) * colours.behind) ** 2)
    own = colours.scatter + split_variance((np.float32(FIGURE_ERROR) * (colours.front @ BACK.T)) ** 2)
    return fixed, known, own


def split_light(light: FloatArray) -> Floats:
    """Split linear light ``(..., 3)`` into luminance and two colour differences."""
    return np.asarray(light @ APART.T, np.float32)


def split_variance(variance: FloatArray) -> Floats:
    """Split variances ``(..., 3)`` of independent channels likewise."""
    return np.asarray(variance @ (APART**2).T, np.float32)


@compile_loop()
def _weigh_shares(seen, behind, front, fixed, known, own, expected, says, mean, certain):
    """Mean and certainty (inverse variance) of each pixel's share, over all shares tried."""
    weight, misfit = np.empty(STEPS + 1, np.float32), np.empty(STEPS + 1, np.float32)
    one, half, step = np.float32(1), np.float32(0.5), np.float32(1 / STEPS)
    for i in range(len(mean)):
        least = np.float32(1e30)
        for n in range(STEPS + 1):
            share = np.float32(n) * step
            rest = one - share
            off = says[i] * (share - expected[i]) * (share - expected[i])
            wide = one
            for c in range(3):
                spread = fixed[i, c] + rest * rest * known[i, c] + share * share * own[i, c]
                gap = seen[i, c] - share * front[i, c] - rest * behind[i, c]
                off += gap * gap / spread
                wide *= spread / fixed[i, c]
            misfit[n] = off
            weight[n] = one / np.sqrt(wide)
            least = min(least, off)
        weight[0] *= np.float32(PURE)
        weight[STEPS] *= np.float32(PURE)
        total, first, second = np.float32(0), np.float32(0), np.float32(0)
        for n in range(STEPS + 1):
            share, now = np.float32(n) * step, weight[n] * np.exp(half * (least - misfit[n]))
            total += now
            first += now * share
            second += now * share * share
        first /= total
        mean[i] = first
        certain[i] = one / (max(second / total - first * first, np.float32(0)) + step * step)


@compile_loop()
def _tie_neighbours(seen, behind, spread, beside, ties):
    """How much each pixel holds to its four neighbours: less across an edge that the frame has and the set lacks."""
    for i in range(len(ties)):
        for n in range(4):
            j = beside[i, n]
            gap = np.float32(0)
            if j >= 0:
                both, rest = np.float32(0), np.float32(0)
                for c in range(3):
                    step = seen[i, c] - seen[j, c]
                    left = step - (behind[i, c] - behind[j, c])
                    both += step * step / spread[i, c]
                    rest += left * left / spread[i, c]
                gap = min(both, rest) / np.float32(TIE_SIGMAS * TIE_SIGMAS)
            ties[i, n] = np.float32(TIE) / (np.float32(1) + gap) + np.float32(LEAST_TIE)


@compile_loop()
def _settle_loop(settled, mean, certain, ties, beside, rounds):
    """Let neighbours decide as far as the mixture itself says little; forwards and backwards by turns."""
    count = len(mean)
    for turn in range(rounds):
        for k in range(count):
            i = k if turn % 2 == 0 else count - 1 - k
            total, mass = certain[i] * mean[i], certain[i]
            for n in range(4):
                j = beside[i, n]
                near = settled[j] if j >= 0 else np.float32(1 if j == FIGURE else 0)
                total += ties[i, n] * near
                mass += ties[i, n]
            settled[i] = total / mass


def clean_colour(seen: Floats, behind: Floats, front: Floats, alpha: Floats) -> Floats:
    """Take the set out of the mixture, all ``(n, 3)`` but ``alpha`` (n,); thin mixtures lean on the carried colour."""
    share = alpha[:, None]
    own = np.maximum((seen - (1 - share) * behind) / np.maximum(share, np.float32(0.05)), 0)
    trust = np.clip((share - np.float32(0.2)) / np.float32(0.6), 0, 1)
    return np.where(share > 0, trust * own + (1 - trust) * front, np.float32(0))
