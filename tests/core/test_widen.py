"""More bits and more chroma samples for the same light."""

import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.planes import decode_signal
from lightstack.core.colour.widen import widen_encoding, widen_planes, widens_exactly
from lightstack.errors import SettingError


def noisy_planes(size, chroma, depth, seed=0):
    rng = np.random.default_rng(seed)
    low = (-(-size[0] // 2) if chroma == "420" else size[0], size[1] if chroma == "444" else -(-size[1] // 2))
    dtype = np.uint8 if depth == 8 else np.uint16
    step = 2 ** (depth - 8)
    luma = rng.integers(16 * step, 236 * step, size).astype(dtype)
    return luma, *(rng.integers(16 * step, 241 * step, low).astype(dtype) for _ in range(2))


@pytest.mark.parametrize("size", [(8, 12), (7, 11), (2, 1)])
@pytest.mark.parametrize("location", ["left", "center", "topleft"])
@pytest.mark.parametrize("have, want", [("420", "420"), ("420", "422"), ("420", "444"), ("422", "444"), ("444", "444")])
def test_eight_bits_widen_to_ten_without_a_trace(size, location, have, want):
    # REFERENCE  by construction: interpolated chroma is made of sixteenths at most where both directions are filled
    # in, of quarters where one is; ten bits hold quarters of an eight-bit code.
    # TOLERANCE  float32; half a ten-bit code of chroma where sixteenths occur.
    encoding = make_encoding(chroma=have, chroma_location=location, bit_depth=8)
    wide = widen_encoding(encoding, bit_depth=10, chroma=want)
    planes = noisy_planes(size, have, 8)
    before = decode_signal(build_decoder(encoding), planes)
    after = decode_signal(build_decoder(wide), widen_planes(planes, encoding, wide))
    sixteenths = (have, want) == ("420", "444") and location != "topleft"
    assert np.abs(after - before).max() < (0.5 * 1.86 / 896 if sixteenths else 2e-6)


def test_limited_codes_are_multiplied_and_full_ones_rounded():
    # REFERENCE  ITU-T H.273 (2016-12), equations 20-31: limited range 219 * 2^(n-8) E' + 16 * 2^(n-8); full range
    # (2^n - 1) E'.
    # TOLERANCE  exact; full range to the nearest code.
    codes = np.arange(256, dtype=np.uint8).reshape(16, 16)
    grey = make_encoding(chroma="grey", bit_depth=8)
    (out,) = widen_planes((codes,), grey, widen_encoding(grey, bit_depth=10))
    np.testing.assert_array_equal(out, codes.astype(int) * 4)
    full = make_encoding(chroma="grey", bit_depth=8, range="full")
    (out,) = widen_planes((codes,), full, widen_encoding(full, bit_depth=10))
    np.testing.assert_array_equal(out, np.rint(codes / 255 * 1023))
    np.testing.assert_array_equal(np.rint(out / 1023 * 255), codes)  # each still names its own
    assert widens_exactly(grey, 10) and not widens_exactly(full, 10) and widens_exactly(full, 8)


def test_full_range_chroma_keeps_its_middle():
    encoding = make_encoding(chroma="444", bit_depth=8, range="full")
    planes = (np.full((2, 2), 128, np.uint8),) * 3
    luma, blue, red = widen_planes(planes, encoding, widen_encoding(encoding, bit_depth=10))
    assert (luma[0, 0], blue[0, 0], red[0, 0]) == (514, 512, 512)


def test_packed_pictures_are_widened_as_they_lie():
    encoding = make_encoding(matrix="rgb", chroma="444", bit_depth=8)
    picture = np.random.default_rng(1).integers(0, 256, (5, 4, 3)).astype(np.uint8)
    (out,) = widen_planes((picture,), encoding, widen_encoding(encoding, bit_depth=10))
    np.testing.assert_array_equal(out, picture.astype(int) * 4)


def test_nothing_is_narrowed():
    encoding = make_encoding(chroma="422")
    planes = noisy_planes((4, 4), "422", 10)
    assert widen_planes(planes, encoding, widen_encoding(encoding)) is planes
    for less in ({"bit_depth": 8}, {"chroma": "420"}):
        with pytest.raises(SettingError, match="do not fit"):
            widen_encoding(encoding, **less)
    with pytest.raises(SettingError, match="do not fit"):
        widen_encoding(make_encoding(chroma="grey"), chroma="422")
