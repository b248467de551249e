"""Beats slower than the take: bands that crawl are told, an even change once it has turned; else it is said so."""

from fractions import Fraction

import numpy as np
import pytest
from core_helpers import read_figures

from lightstack.core.check.flicker import check_flicker
from lightstack.core.check.slow_beat import find_slow_bands, find_slow_swing

FEW = (24, 1)  # tiles down and across: a quarter of the usual ones, to be quick
RATE = Fraction(24000, 1001)  # under 60 Hz mains: 120 - 5 x 23.976 = 0.120 Hz


def make_rows(seconds, *, depth, readout, noise=0.004, seed=0, light_hz=120.0, tiles=(48, 3)):
    """Log ratios of a room under lamps that pulse at ``light_hz``, held against the take's middle, (n, *tiles, 3)."""
    times = np.arange(round(seconds * RATE)) / float(RATE)
    moment = times[:, None] + np.arange(tiles[0]) / tiles[0] * readout
    wave = np.log1p(depth * np.cos(2 * np.pi * light_hz * moment))[..., None, None]
    rows = wave + noise * np.random.default_rng(seed).standard_normal((len(times), *tiles, 3))
    return rows - np.median(rows, axis=0), times


# REFERENCE  bands = light's frequency times readout (Sheinin and others 2017); beat: alias of 120 Hz.
# TOLERANCE  depth 15 %, bands 0.15.
@pytest.mark.parametrize("seconds", [3, 4, 8])
@pytest.mark.parametrize("depth", [0.01, 0.05])
def test_bands_that_crawl_are_told_with_their_size(seconds, depth):
    rows, times = make_rows(seconds, depth=depth, readout=0.016)
    found = find_slow_bands(rows, times, beat=0.12, rate=RATE)
    assert found is not None
    assert found.bands == pytest.approx(1.92, abs=0.15)
    np.testing.assert_allclose(found.depth, depth, rtol=0.15)


def test_a_take_with_crawling_bands_names_the_beat_and_a_clean_shutter():
    finding = check_flicker(*make_rows(4, depth=0.01, readout=0.016), rate=RATE)
    assert finding.grade == "usable"
    assert read_figures(finding)["beat"] == pytest.approx(0.120, abs=1e-3)
    assert "60 Hz mains" in finding.says
    assert "143.856" in finding.remedy or "179.82" in finding.remedy


# REFERENCE  alias of 120 Hz at 24000/1001 frames a second: 120 - 5 x 23.976 = 0.120 Hz. Grades as of all flicker.
# TOLERANCE  depth: 15 %; 30 % where half a wave lies in the picture, which also looks like light that swings evenly.
@pytest.mark.parametrize("seconds", [4, 8, 12])
@pytest.mark.parametrize(("depth", "grade"), [(0.01, "usable"), (0.05, "reshoot")])
@pytest.mark.parametrize(("readout", "within"), [(0.004, 0.3), (0.008, 0.15), (0.016, 0.15)])
def test_bands_are_judged_by_their_depth_whatever_is_left_of_the_drift(seconds, depth, grade, readout, within):
    finding = check_flicker(*make_rows(seconds, depth=depth, readout=readout, tiles=FEW), rate=RATE)
    assert finding.grade == grade
    assert read_figures(finding)["beat"] == pytest.approx(0.120, abs=1e-3)
    assert read_figures(finding)["depth"] == pytest.approx(100 * depth, rel=within)


@pytest.mark.parametrize("seconds", [4, 8])
@pytest.mark.parametrize("depth", [0.0, 0.01, 0.05])
def test_an_even_change_slower_than_the_take_is_not_judged_and_said(seconds, depth):
    rows, times = make_rows(seconds, depth=depth, readout=0.0, tiles=FEW)
    finding = check_flicker(rows, times, rate=RATE)
    assert finding.grade == "good" and finding.says.startswith("No flicker")
    assert "(0.120 Hz) is slower than the take" in finding.says
    assert find_slow_bands(rows, times, beat=0.12, rate=RATE) is None


@pytest.mark.parametrize(("depth", "grade"), [(0.01, "usable"), (0.05, "reshoot")])
@pytest.mark.parametrize(("seconds", "light_hz"), [(12, 119.97), (12, 120.0), (12, 120.03), (20, 120.0)])
def test_an_even_swing_is_told_once_it_has_turned(seconds, depth, grade, light_hz):
    # TOLERANCE  10 %; a take that ends soon after a turn tells the height of the swing less well
    finding = check_flicker(
        *make_rows(seconds, depth=depth, readout=0.0, light_hz=light_hz, tiles=FEW), rate=RATE
    )
    assert finding.grade == grade
    assert read_figures(finding)["depth"] == pytest.approx(100 * depth, rel=0.1)
    assert read_figures(finding)["mains"] == 60


DRIFTS = {
    "straight": lambda x: x,
    "settling": lambda x: 1 - np.exp(-3 * x),
    "parabola": lambda x: 4 * x * (1 - x),
    "from one level to another": lambda x: 1 / (1 + np.exp(-10 * (x - 0.5))),
    "in between": lambda x: np.clip(4 * x - 1, 0, 1),
    "up and down": lambda x: np.sin(1.5 * np.pi * x),
    "a cloud": lambda x: np.exp(-(((x - 0.4) / 0.15) ** 2)),
}


@pytest.mark.parametrize(("seconds", "amount"), [(4, 0.05), (12, 0.01), (12, 0.2)])
def test_light_that_drifts_evenly_does_not_flicker(seconds, amount):
    for name, drift in DRIFTS.items():
        rows, times = make_rows(seconds, depth=0.0, readout=0.0, tiles=FEW)
        rows = rows + amount * drift(times / times[-1])[:, None, None, None]
        finding = check_flicker(rows, times, rate=RATE)
        assert finding.grade == "good" and finding.says.startswith("No flicker"), (name, finding.says)


def test_clouds_that_come_and_go_are_no_swing():
    times = np.arange(round(12 * RATE)) / float(RATE)
    rng = np.random.default_rng(5)
    apart = times[:, None] - times
    for scale in (1.0, 2.0):  # seconds
        root = np.linalg.cholesky(np.exp(-0.5 * (apart / scale) ** 2) + 1e-6 * np.eye(len(times)))
        for _ in range(10):
            rows = 0.004 * rng.standard_normal((len(times), 12, 3, 3))
            rows += 0.02 * (root @ rng.standard_normal(len(times)))[:, None, None, None]
            assert find_slow_swing(rows, times, beat=0.12, rate=RATE) is None


def test_a_slow_pulse_is_told_beside_a_drift():
    # REFERENCE  a lamp that pulses by 2 % at 0.8 Hz, no beat of the mains. TOLERANCE  10 % of its depth:
    # what is left of the drift beside the line is taken off as noise.
    rows, times = make_rows(8, depth=0.0, readout=0.0, tiles=FEW)
    level = np.log1p(0.02 * np.cos(2 * np.pi * 0.8 * times)) + 0.1 * times / times[-1]
    figures = read_figures(check_flicker(rows + level[:, None, None, None], times, rate=RATE))
    assert figures["frequency"] == pytest.approx(0.8, abs=0.05)
    assert figures["depth"] == pytest.approx(2.0, rel=0.1)


def test_a_rate_that_keeps_step_with_the_mains_says_that_bands_would_stand():
    rows, times = make_rows(4, depth=0.0, readout=0.0)
    assert "keep step" in check_flicker(rows, times * float(RATE) / 25, rate=25).says


def test_a_drift_a_slope_and_a_passer_by_are_no_bands():
    rows, times = make_rows(5, depth=0.0, readout=0.0)
    down = np.arange(48) / 48
    rows = rows + 0.05 * np.sin(times)[:, None, None, None] + (0.03 * times[:, None] * down)[..., None, None]
    rows[30:60, 10:40, 1] -= 0.3
    assert find_slow_bands(rows, times, beat=0.12, rate=RATE) is None
    assert find_slow_bands(rows, times, beat=0.01, rate=RATE) is None
