"""Noise of a take with confidence."""

import numpy as np
import pytest
from core_helpers import make_encoding, make_proxies, pack_proxies, read_figures
from made import make_room

from lightstack.core.check.noise_check import check_noise, fit_with_confidence, gather_noise
from lightstack.records import NoiseModel

A, B = 4e-4, 4e-6


def film(seed, *, a=A, b=B, top=0.7, frames=16, size=(96, 128), factor=1):
    """A still ramp with noise of known size, as filmed at survey size."""
    rng = np.random.default_rng(seed)
    level = np.outer(np.ones(size[0]), np.linspace(0.01, 1, size[1]) ** 2 * top)[..., None] * np.ones(3)
    sigma = np.sqrt(a * level + b)
    rgb = level + sigma * rng.standard_normal((frames, *level.shape))
    return pack_proxies(rgb, factor=factor, noise=NoiseModel(np.full(3, a), np.full(3, b), factor))


def test_the_interval_holds_the_truth_as_often_as_it_says():
    # REFERENCE  the noise was put in: variance = a * level + b (EMVA 1288 4.0).
    # TOLERANCE  95 % intervals: at least 85 of 96 hold it (binomial, 3 sigma below), none is wider than 10 %.
    inside, widths = 0, []
    for seed in range(16):
        fit = fit_with_confidence(gather_noise(film(seed)))
        inside += int((np.abs(fit.a - A) <= fit.a_half).sum() + (np.abs(fit.b - B) <= fit.b_half).sum())
        widths.append(max((fit.a_half / A).max(), (fit.b_half / B).max()))
    assert inside >= 85
    assert np.median(widths) < 0.1


def test_grey_ratio_is_that_of_the_noise_put_in():
    # REFERENCE  0.18 / sqrt(a 0.18 + b).
    # TOLERANCE  3 %.
    for factor in (1, 3):
        figures = read_figures(check_noise(gather_noise(film(1, factor=factor))))
        true = 0.18 / np.sqrt(factor**2 * (A * 0.18 + B))
        assert figures["signal to noise at 18 % grey, green"] == pytest.approx(true, rel=0.03)
        assert figures["a green"] == pytest.approx(factor**2 * A, rel=0.05)


def test_noise_in_codes_matches_the_codes_themselves():
    # REFERENCE  colour-science's BT.709 OETF applied to the noise: standard deviation of the codes round 18 % grey.
    # TOLERANCE  5 %.
    colour = pytest.importorskip("colour")
    rng = np.random.default_rng(2)
    light = 0.18 + np.sqrt(A * 0.18 + B) * rng.standard_normal(20000)
    codes = 876 * colour.models.oetf_BT709(light)
    figures = read_figures(check_noise(gather_noise(film(3)), encoding=make_encoding()))
    assert figures["noise at 18 % grey"] == pytest.approx(codes.std(), rel=0.05)


@pytest.mark.parametrize(("a", "grade"), [(4e-4, "good"), (6e-3, "usable"), (4e-2, "reshoot")])
def test_the_grade_follows_the_ratio(a, grade):
    finding = check_noise(gather_noise(film(4, a=a)))
    assert finding.grade == grade
    assert bool(finding.remedy) == (grade != "good")


def test_clipped_and_moving_places_are_left_out():
    proxies = film(5)
    rgb, clipped = np.array(proxies.rgb), np.array(proxies.clipped)
    rgb[::2, :40, :40] += 0.3
    rgb[:, 60:, 90:] = 1.0
    clipped[:, 60:, 90:] = 7
    fit = fit_with_confidence(gather_noise(pack_proxies(rgb, clipped=clipped)))
    np.testing.assert_allclose(fit.a, A, rtol=0.06)


def test_takes_without_noise_are_not_judged():
    still = pack_proxies(np.full((8, 64, 64, 3), 0.2))
    assert check_noise(gather_noise(still)).grade == "not checked"
    assert check_noise(gather_noise(film(1), frames=np.array([3]))).grade == "not checked"


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("noise", [(4e-4, 4e-6), (1e-4, 1e-6)])
def test_a_made_take_gives_the_noise_that_it_was_filmed_with(seed, noise):
    # REFERENCE  the camera model of the made room. TOLERANCE  10 % in red and green (blue hardly rises above black).
    room = make_room(seed, take="empty", noise=noise, size=(90, 160), frames=120, bump_px=0, turn_deg=0)
    samples = gather_noise(make_proxies(room), most_pairs=40)
    fit = fit_with_confidence(samples)
    np.testing.assert_allclose(fit.a[:2], noise[0], rtol=0.1)
    np.testing.assert_allclose(fit.b[:2], noise[1], rtol=0.1)
    assert check_noise(samples).grade == "good"


def test_shuffled_patches_give_the_same_fit():
    samples = gather_noise(film(6))
    order = np.random.default_rng(1).permutation(samples.levels.shape[1])
    again = type(samples)(
        samples.levels[:, order], samples.variances[:, order], samples.pair[order], samples.count, samples.factor
    )
    np.testing.assert_allclose(fit_with_confidence(again).a, fit_with_confidence(samples).a, rtol=1e-3)
