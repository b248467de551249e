"""How fast light edges move."""

import numpy as np
import pytest

from lightstack.core.motion import measure_smear


@pytest.mark.parametrize("speed", [0.0, 0.7, 2.0])
def test_smear_is_the_speed_of_a_light_edge(speed):
    def edge(t):
        x = np.arange(128) - 60 - speed * t
        return np.tile(1 / (1 + np.exp(-x / 2.5)), (72, 1))

    assert measure_smear(edge(-1), edge(0), edge(1)) == pytest.approx(speed, rel=0.1, abs=1e-6)


def test_smear_needs_edges_and_does_not_care_for_direction():
    flat = np.full((40, 60), 0.5)
    assert measure_smear(flat, flat, flat) == 0.0
    x = np.arange(60)
    frames = [np.tile(1 / (1 + np.exp(-(x - 30 - t) / 2.0)), (40, 1)) for t in (-1, 0, 1)]
    forward = measure_smear(*frames)
    assert measure_smear(*frames[::-1]) == pytest.approx(forward)
    assert measure_smear(*[f.T for f in frames]) == pytest.approx(forward, rel=1e-6)
