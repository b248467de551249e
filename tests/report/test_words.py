import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.records import Hole, Registration, Stretch
from lightstack.report import words


def registered(*shifts: float, left_out: tuple[int, ...] = ()) -> Registration:
    stretches = tuple(
        Stretch(10 * i + 1, 10 * i + 10, np.eye(3), shift == 0, shift, 0.01, 10)
        for i, shift in enumerate(shifts)
    )
    return Registration("sweep", "euclidean", stretches, left_out)


def test_a_clean_sweep_is_good_and_says_its_numbers(table):
    verdict = words.grade_sweep(
        "sweep", table, coverage=0.9953, key_count=12, reach_share=0.991, registration=registered(0.0)
    )
    told = " ".join(verdict.sentences)
    assert verdict.grade == "good"
    for piece in (
        f"{table.lamp_on.sum()} frames",
        "2 stretches",
        "12 key frames",
        "99.5",
        "99.1",
        "stood still",
    ):
        assert piece in told


# One fault each, well inside its class: the fault alone must decide the grade, and be told first.
FAULTS = [
    ("clipped", 0.08, "usable", "clipped in red"),
    ("clipped", 0.5, "reshoot", "clipped in red"),
    ("smear_px", 9.0, "usable", "carry the lamp slower"),
    ("smear_px", 60.0, "reshoot", "carry the lamp slower"),
    ("blocked", 0.3, "usable", "second pass"),
    ("flare", 0.3, "usable", "off the lens"),
    ("drift_stops", 0.4, "usable", "hold_exposure"),
    ("drift_stops", -1.6, "reshoot", "1.6 stops"),
    ("lamp_sigma", 8.0, "usable", "stronger lamp"),
    ("lamp_sigma", 2.0, "reshoot", "stronger lamp"),
]


@pytest.mark.parametrize(("field", "value", "grade", "piece"), FAULTS)
def test_one_fault_decides(table, field, value, grade, piece):
    faulty = dataclasses.replace(
        table, **{field: np.full_like(np.asarray(getattr(table, field), float), value)}
    )
    verdict = words.grade_sweep("sweep", faulty, coverage=0.995, reach_share=0.99)
    assert verdict.grade == grade
    assert piece in verdict.sentences[0]


def test_a_sweep_without_a_lamp_is_to_be_shot_again(table):
    dark = dataclasses.replace(table, lamp_on=np.zeros(len(table.lamp_on), bool))
    assert words.grade_sweep("sweep", dark).grade == "reshoot"


def test_a_sweep_without_dark_frames_asks_for_an_empty_take(table):
    lit = dataclasses.replace(table, lamp_on=np.ones(len(table.lamp_on), bool))
    verdict = words.grade_sweep("sweep", lit)
    assert verdict.grade == "usable"
    assert "empty take" in verdict.sentences[0]


def test_what_was_not_measured_is_not_judged(table):
    blank = {
        name: np.full_like(np.asarray(getattr(table, name), float), np.nan)
        for name in ("clipped", "smear_px", "blocked", "flare", "drift_stops", "lamp_sigma")
    }
    assert words.grade_sweep("sweep", dataclasses.replace(table, **blank)).grade == "good"


def test_holes_are_named_by_place(table):
    holes = (Hole(1, 5, 5, 0.05, "bottom left"), Hole(2, 9, 9, 0.04, "top right"))
    verdict = words.grade_sweep("sweep", table, reach_share=0.9, holes=holes)
    assert verdict.grade == "usable"
    assert "bottom left and top right" in verdict.sentences[0]


def test_a_bump_is_told_with_its_size_and_frames():
    small = words.grade_locked("hero", registered(0.0, 0.12), 20)
    large = words.grade_locked("hero", registered(0.0, 2.5), 20)
    assert (small.grade, large.grade) == ("good", "usable")
    assert "2.5 px" in large.sentences[0]
    assert "11\u201320" in large.sentences[0]


def test_left_out_frames_count():
    assert words.grade_locked("hero", registered(0.0, left_out=tuple(range(1, 11))), 20).grade == "reshoot"
    assert words.grade_locked("hero", registered(0.0), 20, drift_stops=-0.3).grade == "usable"


def test_worst_grade_wins():
    assert words.worst_grade(["good", "reshoot", "usable"]) == "reshoot"
    assert words.worst_grade([]) == "good"
    assert words.worst_grade(["unheard of", "usable"]) == "usable"


@given(st.floats(0, 100), st.floats(0, 100), st.sampled_from([(1.0, 10.0), (10.0, 1.0)]))
def test_more_of_a_fault_is_never_a_better_grade(a, b, limits):
    low, high = sorted((a, b))
    rising = limits[1] > limits[0]
    first, second = words.grade_value(low, limits), words.grade_value(high, limits)
    assert first <= second if rising else first >= second


def test_flicker_of_half_a_stop_is_above_the_drift_that_passes(table):
    # REFERENCE  Stops are log2 of light (handbook); the shutter table's residual ripple of a fully modulated
    #            light at 24 fps, 180 degrees, 120 Hz is 0.127: log2(1.127) = 0.172 stops.
    # TOLERANCE  none; such a take must not pass as good.
    drift = np.zeros_like(table.drift_stops)
    drift[::2] = np.log2(1.127)
    assert words.grade_sweep("sweep", dataclasses.replace(table, drift_stops=drift)).grade == "usable"
