"""Ten-bit codes that a page decodes by a table."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.page.codes import CODES, decode_table, encode_codes, pack_codes, wide_table


def test_the_table_is_the_standards_curve():
    table = decode_table(make_encoding(transfer="bt709"))
    # REFERENCE  ITU-R BT.709-6, item 1.2: V = 1.099 L^0.45 - 0.099, V = 4.5 L below L = 0.018 (from memory);
    #            so V = 0.5 is L = (0.599 / 1.099)^(1 / 0.45) = 0.2597
    # TOLERANCE  the curve is often refined to join smoothly: 0.1 %
    half = np.interp(0.5 * (CODES - 1), np.arange(CODES), table)
    assert half == pytest.approx((0.599 / 1.099) ** (1 / 0.45), rel=1e-3)
    assert (table[0], table[-1]) == (0, pytest.approx(1))


@pytest.mark.parametrize("table", [decode_table(make_encoding(transfer="srgb")), wide_table(64.0)])
def test_codes_come_back_to_within_half_a_code(table):
    light = np.linspace(0, table[-1], 4001)[:, None, None] * np.ones((1, 1, 3))
    codes = encode_codes(light, table)
    exact = np.interp(light, table, np.arange(CODES))
    assert np.abs(codes - exact).max() < 0.62  # half a code, and the steps of the table that is looked up
    np.testing.assert_array_equal(encode_codes(table[:, None, None] * np.ones(3), table)[:, 0, 0], np.arange(CODES))


def test_what_lies_beyond_the_table_is_limited():
    table = decode_table(make_encoding(transfer="srgb"))
    light = np.array([[[-1, 2, np.nan], [0, 1, np.inf]]], np.float32)
    np.testing.assert_array_equal(encode_codes(light, table), [[[0, 1023, 0], [0, 1023, 1023]]])


def test_three_codes_go_into_a_word():
    assert pack_codes(np.array([[[1023, 1, 512]]], np.uint16))[0, 0] == 1023 << 20 | 1 << 10 | 512
