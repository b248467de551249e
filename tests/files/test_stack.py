"""The working copy gives back what was written, to half precision, in any order of bands."""

import numpy as np
import pytest

from lightstack.errors import OutputError
from lightstack.files.kept.stack import BAND_ROWS, StackShape, create_stack, open_stack


def make_still(seed, height, width):
    rng = np.random.default_rng(seed)
    light = rng.normal(0.2, 0.3, (height, width, 3)).astype(np.float32)
    return (
        light,
        rng.random((height, width), np.float32),
        rng.normal(0, 20, (height, width, 3)).astype(np.float32),
    )


@pytest.mark.parametrize("size", [(1, 1), (BAND_ROWS, 7), (BAND_ROWS + 1, 33), (3 * BAND_ROWS - 5, 20)])
def test_stills_come_back_to_half_precision(tmp_path, size):
    stills = [make_still(seed, *size) for seed in range(3)]
    stack = create_stack(tmp_path / "s.bands", StackShape(*size, 3, guides=3))
    for index in (2, 0, 1):
        light, valid, guide = stills[index]
        stack.write_still(index, light, valid, guide=guide)
    stack.flush()
    again = open_stack(tmp_path / "s.bands")
    for index, (light, valid, guide) in enumerate(stills):
        got_light, got_valid = again.read_still(index)
        # REFERENCE  IEEE 754-2019 binary16: round to nearest even, as numpy's own conversion does.
        np.testing.assert_array_equal(got_light, light.astype(np.float16).astype(np.float32))
        np.testing.assert_array_equal(got_valid, valid.astype(np.float16).astype(np.float32))
        bands = [again.read_band(b, index) for b in range(again.shape.bands)]
        np.testing.assert_array_equal(np.concatenate([b[2] for b in bands]), guide.astype(np.float16))
        np.testing.assert_array_equal(np.concatenate([b[0] for b in bands]), got_light)


def test_light_beyond_half_range_is_limited_not_infinite(tmp_path):
    stack = create_stack(tmp_path / "s.bands", StackShape(2, 2, 1))
    huge = np.full((2, 2, 3), 1e9, np.float32)
    stack.write_still(0, huge, np.ones((2, 2), np.float32), guide=np.full((2, 2, 1), -1e9, np.float32))
    light, _, guide = stack.read_band(0, 0)
    assert np.all(light == 65504.0) and np.all(guide == -65504.0)


def test_a_full_disk_is_named_and_leaves_nothing(tmp_path):
    with pytest.raises(OutputError, match=r"needs \d+ MiB"):
        create_stack(tmp_path / "s.bands", StackShape(100_000_000, 10_000, 1))
    assert not list(tmp_path.iterdir())
