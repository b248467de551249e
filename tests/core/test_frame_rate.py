"""Frame rates behind rounded time stamps."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.core.check.frame_rate import count_steps, find_rate, fit_step, name_rate, usual_step

# REFERENCE  the picture rates of SMPTE ST 274 and ST 2036-1 (from memory). TOLERANCE  exact.
RATES = [Fraction(24000, 1001), Fraction(24), Fraction(25), Fraction(30000, 1001), Fraction(30), Fraction(50),
         Fraction(60000, 1001)]  # fmt: skip


def stamp(rate, count, tick=Fraction(1, 1000), start=0, down=False):
    return [int(k / rate / tick) + start if down else round(k / rate / tick) + start for k in range(count)]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("down", [False, True])
def test_whole_milliseconds_tell_the_rate(rate, down):
    times = stamp(rate, 48, down=down, start=80)
    assert find_rate(times, Fraction(1, 1000)) == rate
    assert find_rate(times, Fraction(1, 1000), said=[Fraction(*(1 / (times[1] - times[0]) * 1000).as_integer_ratio())])
    assert usual_step(times) == pytest.approx(float(1000 / rate), rel=1e-3)


@pytest.mark.parametrize("rate", RATES)
def test_frames_left_out_do_not_change_the_rate(rate):
    times = np.delete(stamp(rate, 120), [30, 31, 70, 90]).tolist()
    average = Fraction(len(times) - 1, times[-1] - times[0]) * 1000  # what a container says then
    assert find_rate(times, Fraction(1, 1000), said=[average]) == rate
    assert count_steps(times)[-1] == 119


def test_a_short_movie_is_what_it_says():
    times = stamp(Fraction(24), 5)
    assert find_rate(times, Fraction(1, 1000), said=[Fraction(24000, 1001)]) == Fraction(24000, 1001)
    assert find_rate(times, Fraction(1, 1000), said=[Fraction(24)]) == 24
    assert find_rate([0], Fraction(1, 24), said=[Fraction(24)]) == 24
    assert find_rate([], Fraction(1, 24)) is None


def test_a_rate_that_varies_or_has_no_name_stays_as_it_is_said():
    rng = np.random.default_rng(1)
    times = np.cumsum(rng.integers(28, 45, 200)).tolist()
    assert find_rate(times, Fraction(1, 1000), said=[Fraction(273, 10)]) == Fraction(273, 10)
    assert find_rate(stamp(Fraction(125, 10), 100), Fraction(1, 90000), said=[Fraction(25, 2)]) == Fraction(25, 2)
    assert name_rate(23.98, 2e-4) == Fraction(24000, 1001)
    assert name_rate(12.5, 1e-3) is None


@given(st.sampled_from(RATES), st.integers(100, 400), st.sampled_from([1000, 12800, 90000]))
def test_any_tick_tells_the_rate(rate, count, ticks):
    assert find_rate(stamp(rate, count, Fraction(1, ticks)), Fraction(1, ticks)) == rate


def test_the_step_is_that_of_least_squares():
    # REFERENCE  numpy.polyfit. TOLERANCE  rounding.
    times = np.array(stamp(Fraction(24000, 1001), 80), float)
    step, error, off = fit_step(times)
    assert step == pytest.approx(np.polyfit(np.arange(80), times, 1)[0], rel=1e-9)
    assert abs(step - 1001 / 24) < 4 * error
    assert off <= 1.001
