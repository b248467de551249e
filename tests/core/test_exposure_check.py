from dataclasses import replace

import numpy as np
import pytest
from framing_helpers import NOISE, figure, proxy_of
from made import faults_framing, make_room, proxy_arrays
from made.faults_framing import FaultyTake

from lightstack.core.check.exposure_check import check_drift, check_exposure, measure_drift, read_drift
from lightstack.core.sweep.survey import survey_sweep


def stops_of(take):
    frames = take.rgb.astype(np.float32)
    return measure_drift(lambda k: frames[k], len(frames), frames.mean(axis=0), noise=NOISE)


def seconds(count):
    return np.arange(count) / 24


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_locked_camera_is_good(seed):
    take = faults_framing.steady(seed, size=(180, 320), count=30)
    finding = check_drift(stops_of(take), seconds=seconds(30))
    assert finding.grade == "good"
    # TOLERANCE  the median of tens of thousands of pixels: 0.01 stop is ten of its errors
    assert figure(finding, "exposure drift") < 0.01


def test_an_exposure_drift_is_found_with_its_size():
    take = faults_framing.exposure_drift(3, stops=0.4)
    finding = check_drift(stops_of(take), seconds=seconds(60))
    assert finding.grade == "usable"
    assert figure(finding, "exposure drift") == pytest.approx(0.4, abs=0.03)
    assert figure(finding, "white drift") < 0.03
    assert "brightens by 0.4" in finding.says


def test_a_white_drift_is_told_by_channel():
    take = faults_framing.white_drift(1, stops=(0.25, 0.0, -0.25), size=(180, 320))
    finding = check_drift(stops_of(take), seconds=seconds(60))
    assert finding.grade == "usable"
    assert figure(finding, "red drift") == pytest.approx(0.25, abs=0.03)
    assert figure(finding, "green drift") < 0.03
    assert figure(finding, "white drift") > 0.1
    assert "white drifts" in finding.says
    assert "white balance" in finding.remedy


def test_a_stop_and_more_is_to_be_shot_again():
    take = faults_framing.exposure_drift(2, stops=1.2)
    assert check_drift(stops_of(take)).grade == "reshoot"


def test_a_jump_is_named():
    stops = np.zeros((80, 3))
    stops[40:] = 0.3
    finding = check_drift(stops + np.random.default_rng(1).normal(0, 0.005, stops.shape))
    assert figure(finding, "exposure drift") == pytest.approx(0.3, abs=0.02)
    assert "in a jump at frame 4" in finding.says


def film_light(gain_at, count=48):
    """A still room of 96 x 160 whose light (h, w) is multiplied by ``gain_at(k, x)``, x from 0 left to 1 right."""
    rng = np.random.default_rng(8)
    scene = rng.uniform(0.05, 0.4, (96, 160, 3))
    x = np.linspace(0, 1, 160)[None, :, None]
    light = [scene * gain_at(k, x) for k in range(count)]
    frames = [(p + NOISE.sigma(p) * rng.standard_normal(p.shape)).astype(np.float32) for p in light]
    return measure_drift(lambda k: frames[k], count, np.mean(frames, axis=0), noise=NOISE)


def test_a_light_that_comes_and_goes_is_no_exposure():
    lit = lambda k: float(12 <= k < 36)  # noqa: E731
    moved = film_light(lambda k, x: 1 + 0.6 * lit(k) / (1 + 90 * (x - k / 48) ** 2))
    assert check_drift(moved, seconds=seconds(48)).grade == "good"


@pytest.mark.parametrize("fall", [0.0, 1.5])
def test_an_exposure_that_comes_and_goes_or_light_that_stays_is_told(fall):
    came = film_light(lambda k, x: 1 - 0.2 * (12 <= k < 36) if not fall else 1 + 0.5 * (k >= 20) / (1 + fall * x))
    finding = check_drift(came, seconds=seconds(48))
    assert finding.grade == "usable"
    # REFERENCE  log2(1 / 0.8) = 0.32; a light of 0.5 at the left and 0.2 at the right: between 0.26 and 0.58
    low, high = (0.30, 0.37) if not fall else (0.26, 0.58)
    assert low < figure(finding, "exposure drift") < high


def test_flicker_is_no_drift():
    # REFERENCE  24 frames a second under 100 Hz light beat at 4 Hz
    beat = 0.15 * np.sin(2 * np.pi * 4 * seconds(120))[:, None] * np.ones(3)
    drift = read_drift(beat, seconds(120))
    assert drift.exposure < 0.08
    assert check_drift(beat, seconds=seconds(120)).grade == "good"


def test_noise_alone_is_no_drift_however_large():
    stops = np.random.default_rng(2).normal(0, 0.4, (60, 3))
    assert check_drift(stops).grade == "good"


def test_a_dark_channel_is_left_out():
    stops = np.zeros((40, 3))
    stops[:, 2] = np.nan
    drift = read_drift(stops)
    assert np.isnan(drift.white[2])
    assert drift.exposure == 0
    assert check_drift(np.full((40, 3), np.nan)).grade == "not checked"
    assert check_drift(np.zeros((1, 3))).grade == "not checked"


def sweep_table(room):
    rgb, clipped, _ = proxy_arrays(room)
    proxies = replace(proxy_of(FaultyTake(rgb, room.poses), factor=1), clipped=clipped)
    return survey_sweep(proxies, room.ambient, lamp_off=~room.lamp_on)


def test_a_sweeps_drift_is_told_from_its_lamp():
    plain = make_room(2, bump_px=0, turn_deg=0)
    assert check_exposure(sweep_table(plain)).grade == "good"
    drifting = make_room(2, bump_px=0, turn_deg=0, drift_stops=0.5)
    finding = check_exposure(sweep_table(drifting))
    assert finding.grade == "usable"
    # the made camera drifts by 1, 0.8 and 0.6 of it in the channels
    assert figure(finding, "red drift") == pytest.approx(0.5, abs=0.05)


def test_a_camera_that_follows_the_lamp_is_told():
    energy = np.r_[np.zeros(20), np.hanning(60), np.zeros(20)]
    stops = -0.5 * energy[:, None] * np.ones(3)
    finding = check_drift(stops, seconds=seconds(100), lamp_energy=energy, lamp_on=energy > 0)
    assert "follows the lamp" in finding.remedy


def test_a_sweep_without_dark_frames_is_not_checked():
    table = sweep_table(make_room(1, frames=60, lead=10, size=(112, 200)))
    lit = np.ones(60, bool)
    assert check_exposure(replace(table, lamp_on=lit, drift_stops=np.zeros((60, 3)))).grade == "not checked"
