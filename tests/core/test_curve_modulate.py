"""Pulses, flicker and how they join a mix."""

import numpy as np
import pytest
from scipy import signal

from lightstack.core.mix.curve_mix import MixRecipe, make_mix
from lightstack.core.mix.flicker import SPECTRA, Flicker
from lightstack.core.mix.modulate import PULSE_SHAPES, Pulse, Stretch, Track, measure_pulse
from lightstack.errors import SettingError


def steady(frames):
    return np.ones_like(frames)


def mix_of(*modulators, first=0, last=99, base=steady, **recipe):
    return make_mix(MixRecipe(base=base, modulators=modulators, **recipe), first, last)


def fine_mean(pulse, middle, width, count=200_000):
    """Mean over a cell by brute force, from moments alone."""
    at = middle + width * ((np.arange(count) + 0.5) / count - 0.5)
    return measure_pulse(pulse, at, np.zeros(1)).mean()


@pytest.mark.parametrize("shape", sorted(PULSE_SHAPES))
@pytest.mark.parametrize("steady_rate", [True, False])
def test_a_cell_holds_the_mean_of_the_moments_in_it(shape, steady_rate):
    # REFERENCE  the plain mean of 200,000 moments. TOLERANCE  two edges of one moment each: 2e-5.
    where = {"period": 7.3, "begin": 2.2} if steady_rate else {"period": None, "frames": (1.3, 9.7, 30.1)}
    pulse = Pulse(width=2.1, depth=1.0, shape=shape, **where)
    for middle, width in ((3.0, 0.5), (9.9, 1.0), (12.0, 25.0), (0.0, 0.01)):
        got = measure_pulse(pulse, np.array([middle]), np.array([width]))[0]
        assert got == pytest.approx(fine_mean(pulse, middle, width), abs=2e-5)


@pytest.mark.parametrize("duty", [0.1, 0.37, 0.9])
@pytest.mark.parametrize("period", [1.0, 0.5, 1 / 7])
def test_at_a_full_shutter_a_fast_pulse_is_its_duty(duty, period):
    # By construction: a whole number of periods fits the frame, so its mean is the share of time that it is on.
    pulse = Pulse(period=period, width=duty * period, depth=1.0)
    np.testing.assert_allclose(mix_of(pulse, shutter=360).curve.gains, duty, atol=1e-9)


def test_half_a_shutter_sees_the_part_of_a_pulse_that_lies_in_it():
    # By construction: one pulse from 9.9 to 10.1 in windows of half a frame.
    pulse = Pulse(period=None, frames=(9.9,), width=0.2, depth=1.0, how="add")
    gains = mix_of(pulse, base=np.zeros_like, shutter=180).curve.gains
    assert gains[10] == pytest.approx(0.4, abs=1e-12)
    assert np.count_nonzero(gains) == 1


def test_without_a_shutter_a_frame_takes_its_own_moment():
    pulse = Pulse(period=12.0, width=6.0, depth=0.75, begin=1001.0)
    gains = mix_of(pulse, first=1001, last=1048).curve.gains
    np.testing.assert_allclose(gains.reshape(4, 12), np.repeat([1, 0.25], 6)[None].repeat(4, 0))


@pytest.mark.parametrize(("how", "judge"), [("multiply", np.multiply), ("add", np.add), ("max", np.maximum)])
def test_three_ways_to_join(how, judge):
    values = np.linspace(0.2, 1.4, 100)
    track = Track(begin=0.0, step=1.0, values=values, how=how, within=Stretch(20, 59))
    gains = mix_of(track, base=lambda frames: np.full_like(frames, 0.7)).curve.gains
    inside = np.arange(100)
    np.testing.assert_allclose(gains, np.where((inside >= 20) & (inside <= 59), judge(0.7, values), 0.7))


def test_the_order_counts():
    pulse = Pulse(period=10.0, width=10.0, depth=0.5, how="add")
    half = Track(begin=0.0, step=1.0, values=np.array([0.5]))
    assert mix_of(pulse, half).curve.gains[5] == pytest.approx(0.75)
    assert mix_of(half, pulse).curve.gains[5] == pytest.approx(1.0)


def test_no_light_is_negative_and_the_frames_are_named():
    pulse = Pulse(period=None, frames=(30.0, 60.0), width=2.0, depth=-1.5, how="add")
    made = mix_of(pulse)
    assert made.negative == (30, 31, 60, 61)
    assert made.curve.gains[30] == 0 and made.curve.gains[29] == 1


@pytest.mark.parametrize("low, high", [(0.05, 0.2), (0.3, 0.4)])
def test_flicker_keeps_to_its_band_and_its_depth(low, high):
    # REFERENCE  scipy.signal.welch: where the power lies. TOLERANCE  the window's own width, 4 bins; 98 % of the power.
    # Variance of so many sines over so long a time is within a few percent of the sum of theirs.
    made = mix_of(Flicker(low=low, high=high, depth=0.1, seed=5), last=16383)
    gains = made.curve.gains
    frequency, power = signal.welch(gains - gains.mean(), nperseg=2048, window="hann")
    inside = (frequency > low - 4 / 2048) & (frequency < high + 4 / 2048)
    assert power[inside].sum() > 0.98 * power.sum()
    assert gains.mean() == pytest.approx(1, abs=0.005)
    assert gains.std() == pytest.approx(0.1, rel=0.05)
    frequency, power = signal.welch(gains - gains.mean(), nperseg=256)  # coarse enough for several sines in each bin
    filled = power[(frequency > low + 2 / 256) & (frequency < high - 2 / 256)]
    assert filled.min() > 0.4 * filled.mean()


def test_a_candle_falls_off_above_its_knee_as_said():
    # REFERENCE  scipy.signal.welch; the slope between 2 and 6 Hz is that of 1/f^2. TOLERANCE  15 %: one draw of noise.
    kind, rate = SPECTRA["candle"], 24.0
    flicker = Flicker(low=kind.low / rate, high=kind.high / rate, knee=kind.knee / rate, fall=kind.fall, depth=0.05)
    gains = mix_of(flicker, last=32767).curve.gains
    frequency, power = signal.welch(gains - 1, fs=rate, nperseg=1024)
    inside = (frequency > 2) & (frequency < 6)
    slope = np.polyfit(np.log(frequency[inside]), np.log(power[inside]), 1)[0]
    assert slope == pytest.approx(-kind.fall, rel=0.15)


def test_flicker_is_its_seed_and_not_where_one_begins():
    flicker = Flicker(low=0.02, high=0.3, depth=0.2, seed=7)
    whole = mix_of(flicker, first=1001, last=1100, shutter=180).curve.gains
    part = mix_of(flicker, first=1050, last=1060, shutter=180).curve.gains
    np.testing.assert_allclose(whole[49:60], part, atol=1e-12)
    other = mix_of(Flicker(low=0.02, high=0.3, depth=0.2, seed=8), first=1001, last=1100, shutter=180).curve.gains
    assert abs(np.corrcoef(whole, other)[0, 1]) < 0.5


def test_a_shutter_dampens_flicker_as_the_mean_of_a_sine_does():
    # REFERENCE  the mean of cos(2 pi f t) over T is sinc(f T) of it (numpy.sinc).
    narrow = {"low": 0.3999, "high": 0.4001, "depth": 0.1, "seed": 2}
    still = mix_of(Flicker(**narrow), last=400).curve.gains - 1
    seen = mix_of(Flicker(**narrow), last=400, shutter=270).curve.gains - 1
    np.testing.assert_allclose(seen, still * np.sinc(0.4 * 0.75), atol=2e-4)


@pytest.mark.parametrize(
    ("pulse", "said"),
    [
        (Pulse(period=2.0, width=3.0, depth=1.0), "narrower"),
        (Pulse(period=2.0, width=0.0, depth=1.0), "above 0"),
        (Pulse(period=None, frames=(3.0, 4.0), width=1.5, depth=1.0), "overlap"),
    ],
)
def test_pulses_that_cannot_be_are_refused(pulse, said):
    with pytest.raises(SettingError, match=said):
        mix_of(pulse)


def test_a_band_that_is_none_is_refused():
    with pytest.raises(SettingError, match="low below high"):
        mix_of(Flicker(low=0.3, high=0.1, depth=0.1))
