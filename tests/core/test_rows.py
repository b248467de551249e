"""Rows of a coded frame, alone or added up, are those of the whole picture, bit by bit."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.planes import decode_band, decode_linear, sum_linear


@pytest.mark.parametrize("size", [(21, 34), (64, 50)])
def test_rows_and_sums_are_those_of_the_whole_picture(size):
    rng = np.random.default_rng(1)
    height, width = size
    decoder = build_decoder(make_encoding())
    chroma = (-(-height // 2), -(-width // 2))
    planes = [rng.integers(16, 236, shape, dtype=np.uint8) for shape in (size, chroma, chroma)]
    whole = decode_linear(decoder, planes)
    rows = decode_band(decoder, planes, 3, 18, np.empty((15, width, 3), np.float32))
    np.testing.assert_array_equal(rows, whole[3:18])
    total = rng.random((height, width, 3))
    want = total + whole
    sum_linear(decoder, planes, total)
    np.testing.assert_array_equal(total, want)
