"""What would pass is looked for, and has passed."""

from fractions import Fraction

import numpy as np
import pytest
from flash_helpers import flash, show, watch

from lightstack.core.flash.flash import FlashWatch
from lightstack.core.flash.remedy import FrameKeeper, KeptFrame, even_out, find_largest, fit_limit, stays_within

WHOLE = np.ones((18, 32), bool)


def small(low, high, hertz, seconds=3):
    where = np.ones((72, 128), bool)
    frames = flash([low] * 3, [high] * 3, hertz=hertz, where=where, seconds=seconds)
    return [KeptFrame(k, t, cells[::4, ::4].astype(np.float16)) for k, (t, cells) in enumerate(frames)]


def test_the_largest_share_is_found_and_nothing_where_nothing_passes():
    assert find_largest(lambda share: share <= 0.37) == 0.37
    assert find_largest(lambda share: False) is None
    assert find_largest(lambda share: True) == 0.99


def test_pulled_to_its_mean_a_swing_shrinks_until_it_passes():
    run = small(0.1, 0.5, 5)
    share = find_largest(lambda x: stays_within([even_out(run, x)], peak=200.0))
    # a swing of 0.4 has to come below 0.1 about its mean, which the moving second leaves where it is
    assert share == pytest.approx(0.24, abs=0.02)
    assert not stays_within([even_out(run, share + 0.03)], peak=200.0)


def test_whole_an_evened_run_is_what_it_was():
    run = small(0.1, 0.5, 4)
    for frame, (seconds, cells) in zip(run, even_out(run, 1.0), strict=True):
        assert seconds == frame.seconds
        np.testing.assert_allclose(cells, frame.piece.astype(np.float32), atol=1e-6)


def test_slower_it_passes_at_three_flashes_a_second():
    run = small(0.1, 0.5, 5)
    speed = find_largest(lambda x: stays_within([even_out(run, 1.0)], peak=200.0, speed=x))
    # REFERENCE  both standards: three flashes a second are allowed, so 5 Hz pass at 3/5 of their speed. TOLERANCE  one
    # frame of 25 in a second.
    assert speed == pytest.approx(0.6, abs=0.05)


def test_frames_round_a_failure_are_kept_and_no_others():
    keeper = FrameKeeper()
    for k in range(400):
        keeper.add(KeptFrame(k, Fraction(k, 25), np.zeros((2, 2, 4), np.float16)), fails=150 <= k < 160 or k == 300)
    numbers = [[frame.number for frame in run] for run in keeper.runs]
    assert [(run[0], run[-1]) for run in numbers] == [(112, 196), (262, 337)]
    assert all(run == list(range(run[0], run[-1] + 1)) for run in numbers) and not keeper.full


def test_no_more_frames_are_kept_than_there_is_room_for():
    keeper = FrameKeeper()
    for k in range(2000):
        keeper.add(KeptFrame(k, Fraction(k, 25), np.zeros((2, 2, 4), np.float16)), fails=True)
    assert keeper.full and 480 <= keeper.count == sum(len(run) for run in keeper.runs) < 600


def test_small_frames_are_held_against_what_the_full_ones_showed():
    full = watch(flash([0.1] * 3, [0.5] * 3, hertz=5, where=np.ones((72, 128), bool)))
    worst = next(span for span in full.spans if span.rule == "general")
    assert fit_limit([even_out(small(0.1, 0.5, 5), 1.0)], worst, peak=200.0) == pytest.approx(0.25 * 0.9)
    calm = [(Fraction(k, 25), show([0.1] * 3)) for k in range(50)]
    assert fit_limit([calm], worst, peak=200.0) == 0.0


def test_a_stricter_limit_fails_sooner():
    frames = list(flash([0.1] * 3, [0.5] * 3, hertz=5, where=np.arange(128)[None] * np.ones((72, 1)) < 10))
    assert [any(check_all(frames, limit)) for limit in (0.25, 0.1)] == [False, True]


def check_all(frames, limit):
    checking = FlashWatch(limit=limit, pictures=False)
    return [checking.add(k, seconds, cells) for k, (seconds, cells) in enumerate(frames)]
