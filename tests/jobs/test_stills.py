"""A decoded key frame becomes its lamp still: registered, ambient and drift out, covered places closed."""

import threading

import numpy as np
import pytest
from jobs_helpers import NOISE, fit, shift_by, stand_still

from lightstack.core.sweep.blockers import CARRIER
from lightstack.core.sweep.guide import plan_guide
from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.jobs.sweep.stills import StillPlan, StillRows, fill_stack, run_ahead
from lightstack.jobs.takes.ambient import Ambient
from lightstack.records import LampStill, Registration, Stretch

SIZE = (64, 96)
OPEN = np.zeros((32, 48), np.uint8)
COLD = np.zeros(SIZE, bool)


def smooth(dx=0.0):
    y, x = np.mgrid[: SIZE[0], : SIZE[1]] + 0.5
    return np.repeat((0.3 + 0.1 * np.sin((x - dx) / 8) * np.cos(y / 9))[..., None], 3, -1).astype(np.float32)


AMBIENT = Ambient(smooth(), np.ones(SIZE, bool), NOISE, np.zeros((*SIZE, 3), np.float32), (1,), "take")


def still(picture, *, registration=None, **plan):
    fitted = fit([picture])
    plan = StillPlan(**{"index": 0, "covered": OPEN, "factor": 2, **plan})
    registration = registration or stand_still(1, 1)
    frame = next(fitted.take.frames())
    rows = StillRows(fitted, frame, plan, registration=registration, ambient=AMBIENT, hot=COLD)
    light, valid = rows.read(slice(0, SIZE[0]))
    return LampStill(frame.number, light, np.ones(SIZE, np.float32) if valid is None else valid)


def test_a_still_is_frame_minus_ambient_and_keeps_negatives():
    light = np.linspace(-0.05, 0.5, SIZE[1], dtype=np.float32)[None, :, None] * np.ones(3, np.float32)
    found = still(smooth() + light)
    np.testing.assert_allclose(found.light, np.broadcast_to(light, found.light.shape), atol=1e-6)
    assert found.source_frame == 1 and found.valid.min() == 1


def test_drift_comes_off_before_the_ambient_and_the_gain_after():
    drift, gain = np.array([2.0, 1.0, 0.5]), np.float32([0.5, 1, 3])
    found = still((smooth() + 0.2) * np.float32(drift), drift=drift, gain=gain)
    np.testing.assert_allclose(found.light, np.broadcast_to(0.2 * gain, found.light.shape), atol=1e-6)


def test_a_moved_frame_is_put_back_and_what_it_did_not_see_is_invalid():
    pose = Stretch(1, 1, shift_by(4, 0), False, 4.0, 0.01, 1)
    found = still(smooth(4) + np.float32(0.2), registration=Registration("take", "translation", (pose,)))
    assert found.valid[:, :-5].min() == 1 and found.valid[:, -3:].max() == 0
    np.testing.assert_allclose(found.light[8:-8, 8:-8], 0.2, atol=1e-3)


def test_covered_places_are_closed_and_marks_by_hand_have_the_last_word():
    covered = OPEN.copy()
    covered[8:20, 10:30] = CARRIER
    marks = np.zeros(SIZE, np.int8)
    marks[:, :30], marks[:, 80:] = -1, 1
    found = still(smooth() + np.float32(0.2), covered=covered, marks=marks)
    assert found.valid[20:36, 32:56].max() == 0 and found.valid[50:, 32:78].min() == 1
    assert found.valid[:, :30].min() == 1 and found.valid[:, 80:].max() == 0


def test_every_planned_frame_lands_in_its_place_at_any_number_of_threads(tmp_path, silence):
    frames = [smooth() + np.float32(0.05 * k) for k in range(8)]
    recipe = plan_guide(NOISE, width=SIZE[1], colour=np.ones(3))
    written = []
    for threads in (1, 4):
        stack = create_stack(tmp_path / f"{threads}.bands", StackShape(*SIZE, 3, len(recipe.projection)))
        plans = {number: StillPlan(index=k, covered=OPEN, factor=2) for k, number in enumerate((2, 5, 8))}
        fill_stack(
            fit(frames),
            plans,
            stack,
            registration=stand_still(1, 8),
            ambient=AMBIENT,
            recipe=recipe,
            hot=COLD,
            threads=threads,
            progress=silence,
        )
        for k, number in enumerate((2, 5, 8)):
            np.testing.assert_allclose(stack.read_still(k)[0], 0.05 * (number - 1), atol=1e-3)
        written.append((tmp_path / f"{threads}.bands").read_bytes())
    assert written[0] == written[1]


def test_work_runs_ahead_but_never_by_more_than_one():
    taken, done, most, lock = [], [], 0, threading.Lock()

    def items():
        nonlocal most
        for k in range(20):
            taken.append(k)
            with lock:
                most = max(most, len(taken) - len(done))
            yield k

    def work(k):
        with lock:
            done.append(k)

    assert len(list(run_ahead(work, items(), 3))) == 20
    assert sorted(done) == list(range(20)) and most <= 3 + 2  # waiting, and the one just taken


def test_an_error_in_one_still_reaches_the_caller():
    def work(k):
        if k == 3:
            raise ValueError("frame 3")

    with pytest.raises(ValueError, match="frame 3"):
        list(run_ahead(work, iter(range(9)), 2))
