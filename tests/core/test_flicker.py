"""Flicker: the mains beat by name, its depth, its bands, and none where there is none."""

from fractions import Fraction

import numpy as np
import pytest
from core_helpers import make_proxies, pack_proxies, read_figures
from made import make_room
from made.faults import Faults, FaultyTake, Pulse

from lightstack.core.check.flicker import check_flicker, gather_row_profile, name_beat
from lightstack.core.check.flicker_line import find_flicker, measure_limit
from lightstack.records import NOT_CHECKED

SMALL = {"size": (90, 160), "frames": 120}


def make_rows(rate, hz, *, seconds=5.0, depth=0.01, readout=0.0, noise=0.004, seed=0, times=None):
    """Log ratios of a room whose light pulses, (n, 48, 3, 3)."""
    rng = np.random.default_rng(seed)
    times = np.arange(round(seconds * rate)) / float(rate) if times is None else times
    moment = times[:, None] + np.arange(48) / 48 * readout
    wave = np.log1p(depth * np.cos(2 * np.pi * hz * moment))
    return wave[:, :, None, None] + noise * rng.standard_normal((len(times), 48, 3, 3)), times


# REFERENCE  beats of twice the mains frequency with the frame rate (handbook arithmetic, sampling theorem).
# TOLERANCE  0.1 Hz and 5 % of the depth from 5 seconds; bands 0.05 = hz * readout.
@pytest.mark.parametrize(
    ("rate", "mains", "beat"),
    [(Fraction(24), 50, 4.0), (Fraction(24000, 1001), 50, 4.096), (Fraction(25), 60, 5.0), (Fraction(30), 50, 10.0),
     (Fraction(30000, 1001), 50, 10.09)],
)  # fmt: skip
@pytest.mark.parametrize("readout", [0.0, 0.016])
def test_the_mains_beat_is_named_with_its_depth_and_bands(rate, mains, beat, readout):
    rows, times = make_rows(rate, 2 * mains, readout=readout)
    finding = check_flicker(rows, times, rate=rate)
    figures = read_figures(finding)
    assert figures["frequency"] == pytest.approx(beat, abs=0.1)
    assert figures["depth"] == pytest.approx(1.0, rel=0.05)
    assert figures["mains"] == mains
    assert figures["bands"] == pytest.approx(2 * mains * readout, abs=0.05)
    assert f"under {mains} Hz mains" in finding.says
    assert finding.grade == "usable"
    if readout:
        assert figures["readout"] == pytest.approx(16.0, abs=0.5)


def test_a_deep_flicker_is_to_be_filmed_again_at_a_clean_shutter():
    rows, times = make_rows(24, 100, depth=0.08)
    finding = check_flicker(rows, times, rate=24, shutter=180.0)
    assert finding.grade == "reshoot"
    assert "172.8 degrees, 1/50 s" in finding.remedy
    figures = read_figures(finding)
    assert figures["clean shutter"] == pytest.approx(172.8, abs=1e-3)
    # REFERENCE  |sinc(100 / 48)| = 0.0395 of the light's own pulsing stays at 180 degrees.
    assert figures["depth of the light itself"] == pytest.approx(8 / 0.0395, rel=0.08)


def test_depth_is_the_percent_flicker_of_the_light_also_where_it_is_deep():
    rows, times = make_rows(24, 100, depth=0.5, noise=0.002)
    assert read_figures(check_flicker(rows, times, rate=24))["depth"] == pytest.approx(50, rel=0.04)


def test_uneven_time_stamps_are_followed():
    rng = np.random.default_rng(8)
    times = np.cumsum(rng.choice([1 / 30, 1 / 30, 1 / 24, 1 / 20], 160))
    rows, _ = make_rows(30, 7.3, times=times, depth=0.02)
    line = find_flicker(rows, times, rate=float(1 / np.median(np.diff(times))))
    assert line is not None
    assert line.frequency_hz == pytest.approx(7.3, abs=0.1)


def test_slow_light_a_step_and_a_passer_by_are_no_flicker():
    rows, times = make_rows(24, 100, depth=0.0)
    rows += 0.5 * np.sin(0.9 * times)[:, None, None, None]
    rows[70:] += 0.2
    rows[30:60, :, 1] -= np.random.default_rng(1).uniform(0.5, 1.0, (30, 48, 3))
    assert check_flicker(rows, times, rate=24).grade == "good"
    flickers = rows + make_rows(24, 100, depth=0.012, noise=0)[0]
    figures = read_figures(check_flicker(flickers, times, rate=24))
    assert figures["frequency"] == pytest.approx(4.0, abs=0.1)
    assert figures["depth"] == pytest.approx(1.2, rel=0.1)


@pytest.mark.parametrize("every", [2, 4, 12])
def test_what_a_codec_does_at_every_so_many_frames_is_no_flicker(every):
    rows, times = make_rows(24, 100, depth=0.0, noise=0.002)
    rows[::every] += 0.01
    assert check_flicker(rows, times, rate=24).grade == "good"


def test_noise_alone_is_good_on_forty_seeds():
    for seed in range(40):
        rows, times = make_rows(24, 100, depth=0.0, noise=0.02, seed=seed, seconds=3 + seed % 5)
        assert check_flicker(rows, times, rate=24).grade == "good", seed


def test_what_would_show_is_what_shows():
    rows, times = make_rows(24, 100, depth=0.0, noise=0.05)
    limit = measure_limit(rows, times, beats=(4.0,), rate=24)
    assert read_figures(check_flicker(rows, times, rate=24))["depth that would show"] == pytest.approx(100 * limit)
    assert 0.0005 < limit < 0.01
    for factor, shows in ((0.4, False), (1.7, True)):
        wave = make_rows(24, 100, depth=factor * limit, noise=0)[0]
        assert (find_flicker(rows + wave, times, beats=(4.0,), rate=24) is not None) == shows
    assert check_flicker(60 * rows, times, rate=24).grade == "not checked"


def test_rows_scale_and_order_of_columns_do_not_matter():
    rows, times = make_rows(24, 100, depth=0.02)
    a, b = (check_flicker(r, times, rate=24) for r in (rows, rows[:, :, ::-1] + 3.0))
    assert read_figures(a)["frequency"] == pytest.approx(read_figures(b)["frequency"], abs=1e-3)
    flat = check_flicker(rows.mean(axis=2), times, rate=24)
    assert read_figures(flat)["depth"] == pytest.approx(2.0, rel=0.05)


def test_too_few_frames_are_not_judged():
    rows, times = make_rows(24, 100, seconds=0.8)
    assert check_flicker(rows, times, rate=24).grade == "not checked"
    assert check_flicker(np.full((200, 48, 3, 3), np.nan), np.arange(200) / 24, rate=24).grade == "not checked"
    assert check_flicker(rows, np.full(len(times), np.nan), rate=None).grade == "not checked"


def test_beats_have_names():
    assert name_beat(4.02, 24) == (50.0, 100.0)
    assert name_beat(5.0, 25) == (60.0, 120.0)
    assert name_beat(12.0, 24) == (60.0, 60.0)  # a lamp that glows in one half wave only
    assert name_beat(7.1, 24) is None


# --- made takes --------------------------------------------------------------------------------------

# TOLERANCE  depth: 0.2 % of the light, absolute (a dim room of 160 x 90 pixels, noise of a quarter of its level).
FLICKERING = [
    ("empty", 24, Pulse(0.4, 100, 24, 1 / 48)),
    ("empty", 24, Pulse(0.4, 100, 24, 1 / 48, readout=0.016)),
    ("hero", 25, Pulse(0.15, 120, 25, 1 / 50, readout=0.012)),
    ("hero", 30, Pulse(0.1, 100, 30, 1 / 60)),
]


@pytest.mark.parametrize(("kind", "rate", "pulse"), FLICKERING)
def test_flicker_put_into_a_made_take_is_found_with_its_size(kind, rate, pulse):
    room = make_room(2, take=kind, **SMALL)
    proxies = make_proxies(FaultyTake(room, Faults(pulse=pulse)), rate=rate)
    finding = check_flicker(gather_row_profile(proxies), proxies.seconds, rate=rate)
    figures = read_figures(finding)
    assert finding.grade != "good"
    assert figures["depth"] == pytest.approx(100 * pulse.seen, abs=0.2)
    assert figures["bands"] == pytest.approx(pulse.hz * pulse.readout, abs=0.2)


def test_flicker_is_found_while_a_lamp_is_carried_about():
    pulse = Pulse(0.15, 120, 25, 1 / 50, readout=0.016)
    room = make_room(2)
    proxies = make_proxies(FaultyTake(room, Faults(pulse=pulse)), rate=25)
    figures = read_figures(check_flicker(gather_row_profile(proxies), proxies.seconds, rate=25))
    assert figures["frequency"] == pytest.approx(5.0, abs=0.1)
    assert figures["depth"] == pytest.approx(100 * pulse.seen, abs=0.5)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("noise", [(4e-4, 4e-6), (5e-5, 5e-7)])
@pytest.mark.parametrize("kind", ["empty", "hero"])
def test_faultless_takes_do_not_flicker(seed, noise, kind):
    room = make_room(seed, take=kind, noise=noise, **SMALL)
    proxies = make_proxies(room)
    for rate in (24, 25, 30):
        seconds = np.arange(len(proxies)) / rate
        assert check_flicker(gather_row_profile(proxies), seconds, rate=rate).grade == "good"


@pytest.mark.parametrize("seed", [1, 2])
def test_faultless_sweeps_do_not_flicker(seed):
    proxies = make_proxies(make_room(seed))
    for rate in (24, 25, 30):
        seconds = np.arange(len(proxies)) / rate
        assert check_flicker(gather_row_profile(proxies), seconds, rate=rate).grade == "good"


def test_the_row_profile_is_the_log_ratio_of_the_tiles():
    rng = np.random.default_rng(2)
    scene = rng.uniform(0.2, 0.6, (48, 60, 3))
    gains = np.array([1.0, 1.1, 0.9, 1.0, 1.2])
    proxies = pack_proxies(scene * gains[:, None, None, None])
    rows = gather_row_profile(proxies, reference=scene, bands=12)
    assert rows.shape == (5, 12, 3, 3)
    np.testing.assert_allclose(rows, np.broadcast_to(np.log(gains)[:, None, None, None], rows.shape), atol=2e-3)
    some = gather_row_profile(proxies, frames=np.array([1, 3]), reference=scene)
    assert np.isnan(some[[0, 2, 4]]).all()
    assert np.isfinite(some[[1, 3]]).all()


def test_dark_clipped_and_left_out_places_are_unknown():
    scene = np.full((40, 60, 3), 0.3)
    scene[:20] = 0.0
    clipped = np.zeros((6, 40, 60), np.uint8)
    clipped[:, :, 40:] = 1  # red
    where = np.ones((40, 60), bool)
    where[30:] = False
    proxies = pack_proxies(np.repeat(scene[None], 6, axis=0), clipped=clipped)
    rows = gather_row_profile(proxies, where=where, bands=4)
    assert np.isnan(rows[:, :2]).all()
    assert np.isnan(rows[:, 3]).all()
    assert np.isnan(rows[:, 2, 2, 0]).all()
    assert np.isfinite(rows[:, 2, 2, 1:]).all()


def test_a_take_too_slow_for_a_limit_is_not_checked_and_says_no_nan():
    rows = np.random.default_rng(3).normal(0, 1e-3, (40, 12, 3))
    found = check_flicker(rows, np.arange(40) / 2.0, rate=2)
    assert found.grade == NOT_CHECKED
    assert "nan" not in found.says
