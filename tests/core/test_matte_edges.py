"""Soft edges solved from a known set: mixtures of known share, fallbacks, and a slow twin."""

import cv2
import numpy as np
import pytest

from lightstack.core.matte_edges import _settle_loop, solve_alpha
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
    alpha = rng.uniform(0, 1, (9, 11)).astype(np.float32)
    contrast = rng.uniform(0, 9, (9, 11)).astype(np.float32)
    frame, sigma = rng.uniform(0, 1, (9, 11, 3)).astype(np.float32), np.full((9, 11, 3), 0.2, np.float32)
    rows, columns = (axis.ravel() for axis in np.mgrid[2:7, 3:9])
    fast = alpha.copy()
    _settle_loop(fast, alpha, contrast, frame, sigma, rows, columns, 6)
    slow = alpha.astype(float)
    for turn in range(6):
        for y, x in list(zip(rows, columns, strict=True))[:: 1 if turn % 2 == 0 else -1]:
            total, mass = contrast[y, x] * alpha[y, x], contrast[y, x]
            for v, u in ((y + 1, x), (y - 1, x), (y, x + 1), (y, x - 1)):
                gap = (((frame[y, x] - frame[v, u]) / (3 * sigma[y, x])) ** 2).sum()
                tie = 12 / (1 + gap) + 0.02
                total, mass = total + tie * slow[v, u], mass + tie
            slow[y, x] = total / mass
    np.testing.assert_allclose(fast, slow, atol=1e-4)
