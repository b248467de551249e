"""Stills at screen size: a page's plate ends at the border as a build's does."""

import numpy as np
import pytest
from jobs_helpers import NOISE

from lightstack.core.page.plate import blend_proxies, plan_blend
from lightstack.core.sweep.accumulate import AccumulateSetting
from lightstack.core.sweep.guide import plan_guide
from lightstack.files.kept.review_keep import PictureShelf
from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.jobs.review.open import Precedence
from lightstack.jobs.review.stills import SweepProxies
from lightstack.jobs.sweep.accumulate import accumulate_stack, carry_over_border

SIZE, COUNT = (60, 200), 5


@pytest.fixture
def stack(tmp_path):
    """Lamp light that two of five stills do not show in the last two columns: the tripod was nudged."""
    made, draw = create_stack(tmp_path / "s.bands", StackShape(*SIZE, COUNT)), np.random.default_rng(1)
    for index in range(COUNT):
        light = (0.1 + 0.1 * index + 0.02 * draw.random((*SIZE, 3))).astype(np.float32)
        valid = np.ones(SIZE, np.float32)
        if index >= 3:
            valid[:, -2:] = 0
        made.write_still(index, light, valid, guide=np.ascontiguousarray(100 * light[..., :1]))
    return made


def open_stills(stack, folder, used):
    shelf, ambient = PictureShelf(folder, 1 << 20), np.full((*SIZE, 3), 0.05, np.float32)
    return SweepProxies(stack, shelf, SIZE, ambient=ambient, filled=False, first=Precedence(), used=used)


def test_a_border_that_a_nudged_sweep_lost_is_carried_on_as_in_a_build(stack, tmp_path):
    recipe = plan_guide(NOISE, width=SIZE[1])
    ambient = np.full((*SIZE, 3), 0.05, np.float32)
    plate = accumulate_stack(stack, ambient, rule="max", setting=AccumulateSetting(recipe=recipe))
    wanted = carry_over_border(plate).light
    blends = []
    for used in (range(COUNT), ()):
        folder = tmp_path / f"shelf{len(used)}"
        folder.mkdir()
        stills = open_stills(stack, folder, used).gather(np.ones(COUNT), np.ones((COUNT, 3)))
        blends.append(blend_proxies(stills, plan_blend(recipe, rule="max"), np.ones(COUNT)))
    # REFERENCE the build's own plate. TOLERANCE half floats, in which stills are sent.
    np.testing.assert_allclose(blends[0], wanted, rtol=2e-3)
    assert np.abs(blends[1] - wanted)[:, -2:].mean() > 0.05  # what it was without


def test_validity_is_read_alone(stack):
    for band in range(stack.shape.bands):
        np.testing.assert_array_equal(stack.read_valid(band, 4), stack.read_band(band, 4)[1])
