"""Envelopes: attack, hold, decay, sustain, release, and repeats, at any real-valued frame."""

import numpy as np
import pytest

from lightstack.core.mix.curve import evaluate
from lightstack.core.mix.envelope import Envelope, evaluate_envelope
from lightstack.errors import SettingError

STRAIGHT = {"attack_shape": "linear", "decay_shape": "linear", "release_shape": "linear"}


def test_the_five_parts_are_straight_lines_between_their_corners():
    # By construction: corners at 10 (off), 14 (1), 20 (1), 28 (0.25), 40 (0.25), 44 (off).
    whole = Envelope(start=10, attack=4, hold=6, decay=8, sustain=0.25, stay=12, release=4, **STRAIGHT)
    at = np.linspace(0, 60, 601)
    judge = np.interp(at, [10, 14, 20, 28, 40, 44], [0, 1, 1, 0.25, 0.25, 0])
    np.testing.assert_allclose(evaluate_envelope(whole, at), judge, atol=1e-12)


def test_levels_may_be_stops():
    whole = Envelope(start=0, attack=4, decay=4, peak=1.0, sustain=-1.0, stay=2, release=0, unit="stops", **STRAIGHT)
    got = evaluate_envelope(whole, [4, 6, 8, 10, 11])
    np.testing.assert_allclose(got, [2, 1, 0.5, 0.5, 0], atol=1e-12)


def test_it_comes_again_and_the_brighter_run_holds():
    once = Envelope(start=0, attack=2, decay=10, **STRAIGHT)
    again = Envelope(start=0, attack=2, decay=10, every=8, times=3, **STRAIGHT)
    at = np.linspace(-5, 60, 400)
    judge = np.max([evaluate_envelope(once, at - 8 * k) for k in range(3)], axis=0)
    np.testing.assert_allclose(evaluate_envelope(again, at), judge, atol=1e-12)
    endless = Envelope(start=0, attack=2, decay=4, every=8, **STRAIGHT)
    np.testing.assert_allclose(
        evaluate_envelope(endless, at[at > 8]), evaluate_envelope(endless, at[at > 8] + 800), atol=1e-9
    )


def test_what_cannot_be_is_refused():
    with pytest.raises(SettingError, match="stay"):
        evaluate_envelope(Envelope(start=0, attack=1, decay=1, sustain=0.5, stay=-1), [0.0])
    with pytest.raises(SettingError, match="above 0"):
        evaluate_envelope(Envelope(start=0, attack=1, decay=1, every=0), [0.0])


def test_ease_starts_and_ends_at_rest_and_is_point_symmetric():
    # REFERENCE  the cubic 3t^2 - 2t^3, the only one from 0 to 1 with level ends.
    t = np.linspace(0, 1, 101)[:-1]
    got = evaluate([[0, 0, "ease"], [10, 2]], 10 * t)
    np.testing.assert_allclose(got, 2 * (3 * t**2 - 2 * t**3), atol=1e-12)
    stops = evaluate([[0, -2, "ease"], [10, 2]], 10 * t, unit="stops")
    np.testing.assert_allclose(np.log2(stops), -2 + 4 * (3 * t**2 - 2 * t**3), atol=1e-12)
