"""The numbers behind a decode."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.decoder import build_decoder, chroma_siting, code_scales, signal_bounds, signal_matrix
from lightstack.core.colour.light import CURVES
from lightstack.errors import SettingError


@pytest.mark.parametrize(
    "depth, range_, luma, chroma",
    [
        # REFERENCE  ITU-R BT.709-6, table 3 (8 and 10 bit) and BT.2020-2, table 5 (12 bit); full range by
        #            ITU-T H.273, equations 26-31.
        # TOLERANCE  none.
        (8, "limited", (16, 219), (128, 224)),
        (10, "limited", (64, 876), (512, 896)),
        (12, "limited", (256, 3504), (2048, 3584)),
        (8, "full", (0, 255), (128, 255)),
        (10, "full", (0, 1023), (512, 1023)),
    ],
)
def test_code_scales(depth, range_, luma, chroma):
    assert code_scales(make_encoding(bit_depth=depth, range=range_)) == (luma, chroma)


@pytest.mark.parametrize(
    "matrix, printed",
    [
        # REFERENCE  2 (1 - Kr), 2 (1 - Kb) Kb / Kg, 2 (1 - Kr) Kr / Kg, 2 (1 - Kb) with the weights of ITU-R
        #            BT.601-7, BT.709-6 and BT.2020-2, by hand to six decimals.
        # TOLERANCE  those digits, 1e-6.
        ("bt601", (1.402, 0.344136, 0.714136, 1.772)),
        ("bt709", (1.5748, 0.187324, 0.468124, 1.8556)),
        ("bt2020", (1.4746, 0.164553, 0.571353, 1.8814)),
    ],
)
def test_signal_matrix(matrix, printed):
    red, green_b, green_r, blue = printed
    expected = [[1, 0, red], [1, -green_b, -green_r], [1, blue, 0]]
    np.testing.assert_allclose(signal_matrix(make_encoding(matrix=matrix)), expected, atol=1e-6)


def test_the_table_reaches_every_signal_that_codes_can_give():
    encoding = make_encoding(matrix="bt2020", transfer="srgb")
    decoder = build_decoder(encoding)
    low, high = signal_bounds(decoder.offsets, decoder.matrix, 10)
    assert decoder.low <= low < -1
    assert decoder.low + (len(decoder.table) - 2) / decoder.per_unit >= high > 2
    middle = int((0.5 - decoder.low) * decoder.per_unit)
    signal = float(decoder.low) + middle / float(decoder.per_unit)
    # TOLERANCE  float32.
    assert decoder.table[middle] == pytest.approx(CURVES["srgb"].decode(signal), rel=1e-6)


def test_a_decoder_is_made_once():
    assert build_decoder(make_encoding(), "bt2020") is build_decoder(make_encoding(), "bt2020")


def test_siting():
    # REFERENCE  ITU-T H.273, figure 1: "left" lies on the luma column and between rows, "topleft" on both.
    # TOLERANCE  none.
    np.testing.assert_array_equal(chroma_siting(make_encoding()), [2, 0, 0.5, 2, 0.25, 0.25])
    np.testing.assert_array_equal(
        chroma_siting(make_encoding(chroma_location="topleft")), [2, 0, 0.5, 2, 0, 0.5]
    )
    np.testing.assert_array_equal(
        chroma_siting(make_encoding(chroma_location="center")), [2, 0.25, 0.25, 2, 0.25, 0.25]
    )
    with pytest.raises(SettingError, match="bottom"):
        chroma_siting(make_encoding(chroma_location="bottom"))
