"""Soft edges solved from a known set: mixtures of known share, fallbacks, and a slow twin."""

import cv2
import numpy as np
import pytest
from scipy.stats import norm

from lightstack.core.matte.band import list_band
from lightstack.core.matte.edges import (
    LEAST_TIE,
    PURE,
    STEPS,
    TIE,
    TIE_SIGMAS,
    _settle_loop,
    _tie_neighbours,
    _weigh_shares,
    solve_alpha,
)
from lightstack.records import NoiseModel

NOISE = NoiseModel(np.full(3, 1e-4), np.full(3, 1e-6))
SIZE = (72, 96)


def make_mixture(colour, *, blur=2.0, noise=NOISE, seed=1):
    """A soft disc of one colour before a set of several; frame, set, coverage."""
    y, x = np.mgrid[0 : SIZE[0], 0 : SIZE[1]]
    disc = (np.hypot(x - 48, y - 36) < 20).astype(np.float32)
    cover = cv2.GaussianBlur(disc, (0, 0), blur)
    behind = np.stack([0.1 + 0.1 * (x // 8 % 2), 0.2 + 0.001 * y, 0.3 - 0.001 * x], -1).astype(np.float32)
    light = cover[..., None] * np.float32(colour) + (1 - cover[..., None]) * behind
    rng = np.random.default_rng(seed)
    return (light + noise.sigma(light) * rng.standard_normal(light.shape)).astype(np.float32), behind, cover


def solve(frame, behind, cover, **options):
    sure, band = cover > 0.995, (cover > 0.005) & (cover <= 0.995)
    return solve_alpha(frame, behind, sure, band, noise=NOISE, **options), band


def test_a_mixture_of_known_colours_is_its_share():
    frame, behind, cover = make_mixture((0.7, 0.1, 0.05))
    solved, band = solve(frame, behind, cover)
    # REFERENCE  the "over" mixture (Porter & Duff 1984). TOLERANCE  noise of 2 % of the contrast a pixel.
    assert np.abs(solved.alpha - cover).mean() < 0.004
    assert np.abs(solved.alpha - cover)[band].max() < 0.12
    np.testing.assert_allclose(solved.figure[solved.alpha > 0.4].mean(0), [0.7, 0.1, 0.05], atol=0.02)
    assert (solved.figure[solved.alpha == 0] == 0).all()


def test_figure_and_set_put_together_give_the_frame():
    frame, behind, cover = make_mixture((0.7, 0.1, 0.05))
    solved, band = solve(frame, behind, cover)
    again = solved.alpha[..., None] * solved.figure + (1 - solved.alpha[..., None]) * behind
    assert np.abs(again - frame)[band].mean() < 0.02


def test_smeared_edges_stay_soft():
    frame, behind, cover = make_mixture((0.7, 0.1, 0.05), blur=6.0)
    solved, _ = solve(frame, behind, cover)
    assert np.abs(solved.alpha - cover).mean() < 0.01
    assert ((solved.alpha > 0.2) & (solved.alpha < 0.8)).sum() > 300


def test_where_colours_are_alike_the_guess_decides():
    frame, behind, cover = make_mixture((0.15, 0.24, 0.26))
    behind[:] = 0.15, 0.24, 0.26
    frame[:] = behind + NOISE.sigma(behind) * np.random.default_rng(3).standard_normal(frame.shape)
    solved, band = solve(frame, behind, cover, guess=(cover > 0.5).astype(np.float32))
    assert solved.contrast[band].max() < 6
    assert np.abs(solved.alpha - cover)[band].mean() < 0.2


@pytest.mark.parametrize("empty", ["nothing", "band alone"])
def test_frames_without_a_sure_figure_do_not_break(empty):
    frame, behind, cover = make_mixture((0.7, 0.1, 0.05))
    none = np.zeros(SIZE, bool)
    band = none if empty == "nothing" else cover > 0.01
    solved = solve_alpha(frame, behind, none, band, noise=NOISE)
    assert np.isfinite(solved.alpha).all() and np.isfinite(solved.figure).all()
    assert (solved.alpha[~band] == 0).all()
    if empty != "nothing":
        assert np.abs(solved.alpha - cover).mean() < 0.05


def test_the_compiled_settling_is_its_slow_twin():
    rng = np.random.default_rng(9)
    sure, mask = np.zeros((2, 9, 11), bool)
    mask[2:7, 3:9], sure[2:7, :3] = True, True
    band = list_band(mask, sure)
    mean, certain = rng.uniform(0, 1, len(band)).astype(np.float32), rng.uniform(0, 9, len(band)).astype(np.float32)
    ties = rng.uniform(0, 9, (len(band), 4)).astype(np.float32)
    fast = mean.copy()
    _settle_loop(fast, mean, certain, ties, band.beside, 6)
    picture = sure.astype(float)
    picture[mask] = mean
    for turn in range(6):
        for i in range(len(band))[:: 1 if turn % 2 == 0 else -1]:
            y, x = band.rows[i], band.columns[i]
            near = np.array([picture[y, x - 1], picture[y, x + 1], picture[y - 1, x], picture[y + 1, x]])
            picture[y, x] = (certain[i] * mean[i] + ties[i] @ near) / (certain[i] + ties[i].sum())
    np.testing.assert_allclose(fast, picture[mask], atol=1e-5)


def test_the_compiled_weighing_is_its_slow_twin():
    rng = np.random.default_rng(10)
    seen, behind, front = rng.uniform(0, 1, (3, 40, 3)).astype(np.float32)
    fixed, known, own = rng.uniform(0.01, 0.2, (3, 40, 3)).astype(np.float32)
    expected, says = rng.uniform(0, 1, 40).astype(np.float32), rng.uniform(0, 9, 40).astype(np.float32)
    mean, certain = np.empty((2, 40), np.float32)
    _weigh_shares(seen, behind, front, fixed, known, own, expected, says, mean, certain)
    share = np.linspace(0, 1, STEPS + 1)[:, None]
    scale = np.sqrt(fixed + (1 - share)[..., None] ** 2 * known + share[..., None] ** 2 * own)
    # REFERENCE  scipy.stats.norm: densities of the pixel, were the share known, and of the rough matte.
    likely = norm.pdf(seen, share[..., None] * front + (1 - share)[..., None] * behind, scale).prod(-1)
    likely *= np.exp(-0.5 * says * (share - expected) ** 2) * np.where((share == 0) | (share == 1), PURE, 1)
    likely /= likely.sum(0)
    usual = (likely * share).sum(0)
    np.testing.assert_allclose(mean, usual, atol=1e-4)
    spread = (likely * (share - usual) ** 2).sum(0) + 1 / STEPS**2
    np.testing.assert_allclose(certain, 1 / spread, rtol=1e-3)


def test_the_compiled_ties_are_their_slow_twin():
    rng = np.random.default_rng(11)
    mask, sure = rng.uniform(0, 1, (2, 9, 11)) < 0.6
    band = list_band(mask, sure & ~mask)
    seen, behind = rng.uniform(0, 1, (2, len(band), 3)).astype(np.float32)
    spread = rng.uniform(0.01, 0.1, (len(band), 3)).astype(np.float32)
    ties = np.empty((len(band), 4), np.float32)
    _tie_neighbours(seen, behind, spread, band.beside, ties)
    for i, beside in enumerate(band.beside):
        for n, j in enumerate(beside):
            steps = [one[i] - one[j] for one in (seen, seen - behind)]
            gap = min((step**2 / spread[i]).sum() for step in steps) / TIE_SIGMAS**2 if j >= 0 else 0
            assert ties[i, n] == pytest.approx(TIE / (1 + gap) + LEAST_TIE, rel=1e-4)
