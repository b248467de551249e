"""Stills made ready for being summed: alike at any number of threads, and little is kept while they are made."""

import numpy as np
import pytest

from lightstack.files.kept.stack import StackShape, create_stack
from lightstack.jobs.light.filled import PackedValid, fill_stack

HEIGHT, WIDTH, STILLS = 150, 160, 5  # three bands, the last one not whole


def make_valid(index):
    """Somebody walks by, a column wide, from the second band on; nobody stands in the last still."""
    valid = np.ones((HEIGHT, WIDTH), np.float32)
    if index < STILLS - 1:
        valid[70:, 10 + 30 * index : 40 + 30 * index] = 0
    return valid


@pytest.fixture
def stack(tmp_path):
    made = create_stack(tmp_path / "stack.exr", StackShape(HEIGHT, WIDTH, STILLS, guides=1))
    for index in range(STILLS):
        valid = make_valid(index)
        light = (0.2 + 0.1 * index) * np.linspace(0.5, 1, WIDTH, dtype=np.float32)[:, None] * valid[..., None]
        made.write_still(index, np.broadcast_to(light, (HEIGHT, WIDTH, 3)), valid, guide=valid[..., None])
    made.flush()
    return made


def test_holes_are_filled_alike_by_any_number_of_threads(stack, tmp_path, silence):
    files, shares = [], []
    for threads in (1, 3):
        files.append(tmp_path / f"{threads}.exr")
        shares.append(fill_stack(stack, files[-1], None, None, places=None, smooth=False, threads=threads,
                                 progress=silence))  # fmt: skip
    assert files[0].read_bytes() == files[1].read_bytes()
    assert shares[0] == shares[1] and shares[0][-1] == 0 and 0.1 < shares[0][1] < 0.2
    assert not stack.read_still(1)[0][100, 50].any()  # covered in the stack


def test_packed_validity_comes_back_as_a_stack_stores_it(stack):
    valid = make_valid(1)
    valid[80:90, 60:80] = np.linspace(0, 1, 20)
    packed = PackedValid.pack(stack, valid)
    assert packed.bands[0] is None and not packed.is_whole
    rows = [packed.rows(band, (stack.rows_of(band).stop - stack.rows_of(band).start, WIDTH)) for band in range(3)]
    # REFERENCE  IEEE 754 binary16, as numpy rounds to it: what the stack's file holds.
    np.testing.assert_array_equal(np.concatenate(rows), valid.astype(np.float16))
    assert sum(len(band) for band in packed.bands if band) < 0.1 * valid.size
    assert PackedValid.pack(stack, np.ones_like(valid)).is_whole
