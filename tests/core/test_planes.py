"""Code values to linear light, judged by colour-science and by construction."""

from dataclasses import replace

import colour
import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.light import CURVES, convert_matrix
from lightstack.core.colour.planes import decode_linear, decode_proxy, decode_signal, find_clipped
from lightstack.errors import SettingError

# Colours inside the cube of every matrix, dark to bright, neutral to saturated.
PATCHES = np.array(
    [
        [0.02, 0.02, 0.02],
        [0.18, 0.18, 0.18],
        [0.9, 0.9, 0.9],
        [0.8, 0.1, 0.1],
        [0.1, 0.7, 0.2],
        [0.2, 0.1, 0.9],
        [0.95, 0.6, 0.05],
        [0.4, 0.05, 0.7],
    ]
)
JUDGES = {
    "bt709": (colour.models.oetf_BT709, "bt709"),
    "srgb": (colour.models.eotf_inverse_sRGB, "bt709"),
    "slog3": (colour.models.log_encoding_SLog3, "sgamut3cine"),
    "vlog": (colour.models.log_encoding_VLog, "vgamut"),
}


def code_flat_patches(signal, encoding):
    """Code R'G'B' as flat 4 x 4 patches by colour-science, rounding as a camera does; give planes."""
    weights = {
        "bt601": colour.WEIGHTS_YCBCR["ITU-R BT.601"],
        "bt709": colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        "bt2020": colour.WEIGHTS_YCBCR["ITU-R BT.2020"],
    }
    codes = colour.RGB_to_YCbCr(
        signal,
        K=weights[encoding.matrix],
        in_legal=False,
        out_bits=encoding.bit_depth,
        out_legal=encoding.range == "limited",
        out_int=True,
    )
    dtype = np.uint8 if encoding.bit_depth == 8 else np.uint16
    luma, cb, cr = (np.repeat(codes[:, i], 4)[None].repeat(4, axis=0).astype(dtype) for i in range(3))
    return luma, cb, cr


def judge_flat_patches(planes, encoding):
    """Decode the patches' codes to R'G'B' by colour-science."""
    weights = {"bt601": "ITU-R BT.601", "bt709": "ITU-R BT.709", "bt2020": "ITU-R BT.2020"}[encoding.matrix]
    codes = np.stack([plane[0, ::4] for plane in planes], axis=-1)
    return colour.YCbCr_to_RGB(
        codes.astype(np.int64),
        K=colour.WEIGHTS_YCBCR[weights],
        in_bits=encoding.bit_depth,
        in_legal=encoding.range == "limited",
        in_int=True,
        out_legal=False,
        out_int=False,
    )


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("range_", ["limited", "full"])
@pytest.mark.parametrize("depth", [8, 10, 12, 16])
@pytest.mark.parametrize("transfer", list(JUDGES))
def test_flat_patches_match_colour_science(matrix, range_, depth, transfer):
    # REFERENCE  colour-science 0.4.7: YCbCr_to_RGB (BT.601, BT.709, BT.2020 weights), oetf_BT709,
    #            eotf_inverse_sRGB, log_encoding_SLog3, log_encoding_VLog.
    # TOLERANCE  0.05 of a code of the file's depth, 10 bit at most, after encoding the light again.
    oetf, primaries = JUDGES[transfer]
    encoding = make_encoding(
        matrix=matrix, range=range_, bit_depth=depth, chroma="444", transfer=transfer, primaries=primaries
    )
    planes = code_flat_patches(PATCHES, encoding)
    expected = judge_flat_patches(planes, encoding)
    light = decode_linear(build_decoder(encoding), planes)[1, 1::4].astype(np.float64)
    with np.errstate(invalid="ignore"):  # the judge works out the branch it does not take
        coded_again = oetf(light)
    span = (219 if range_ == "limited" else 255) * 2 ** (min(depth, 10) - 8)
    # The judge's BT.709 has a small step at its break; patches lie away from it.
    assert np.abs(coded_again - expected).max() * span <= 0.05


def test_converting_primaries_matches_the_standard():
    # REFERENCE  ITU-R BT.2087-0, annex 2: linear BT.709 -> BT.2020 matrix.
    # TOLERANCE  the matrix is printed with four decimals: 5e-5; float32.
    printed = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
    encoding = make_encoding(chroma="444")
    planes = code_flat_patches(PATCHES, encoding)
    own = decode_linear(build_decoder(encoding), planes)
    wide = decode_linear(build_decoder(encoding, "bt2020"), planes)
    np.testing.assert_allclose(wide, own @ printed.T, atol=2e-4)
    np.testing.assert_allclose(wide, own @ convert_matrix("bt709", "bt2020").T, atol=1e-6)


@pytest.mark.parametrize(
    "location, at_x, at_y", [("left", 0.0, 0.5), ("center", 0.5, 0.5), ("topleft", 0.0, 0.0)]
)
def test_chroma_lies_where_the_location_says(location, at_x, at_y):
    # By construction: chroma sampled from a slope at its own places must give the slope back at the pixels.
    encoding = make_encoding(bit_depth=16, range="full", chroma_location=location)
    rows, columns = np.arange(8)[:, None] * 2 + at_y, np.arange(10) * 2 + at_x
    slope = 20000 + 900 * columns + 400 * rows
    planes = (
        np.full((16, 20), 30000, np.uint16),
        slope.astype(np.uint16),
        np.full((8, 10), 32768, np.uint16),
    )
    signal = decode_signal(build_decoder(encoding), planes)
    y, x = np.mgrid[2:14, 2:18]
    expected = 30000 / 65535 + 2 * (1 - 0.0722) * (20000 + 900 * x + 400 * y - 32768) / 65535
    np.testing.assert_allclose(signal[2:14, 2:18, 2], expected, atol=2e-6)


def test_signals_beyond_the_cube_survive():
    # REFERENCE  limited 10-bit codes of magenta made with BT.709, read with BT.601: green goes negative
    #            (-0.172 of full signal); worked out with colour-science 0.4.7.
    # TOLERANCE  codes are rounded: 2e-3.
    right = make_encoding(chroma="444")
    planes = code_flat_patches(np.array([[1.0, 0.0, 1.0]]), right)
    signal = decode_signal(build_decoder(replace(right, matrix="bt601")), planes)[0, 0]
    np.testing.assert_allclose(signal, [0.922, -0.172, 0.968], atol=2e-3)
    light = decode_linear(build_decoder(replace(right, matrix="bt601")), planes)[0, 0]
    np.testing.assert_allclose(light, CURVES["bt709"].decode(signal.astype(float)), rtol=1e-5)
    assert light[1] < -0.03


def test_the_whole_code_range_stays_finite():
    for transfer in CURVES:
        encoding = make_encoding(chroma="444", bit_depth=8, matrix="bt2020", transfer=transfer)
        corners = np.array([0, 255], np.uint8)
        planes = tuple(
            np.stack(np.meshgrid(corners, corners, corners), axis=-1).reshape(4, 2, 3).transpose(2, 0, 1)
        )
        assert np.isfinite(decode_linear(build_decoder(encoding), planes)).all(), transfer


def test_grey_files_are_neutral():
    ramp = np.arange(0, 1024, 11, dtype=np.uint16)[None].repeat(3, axis=0)
    light = decode_linear(build_decoder(make_encoding(chroma="grey", range="full")), (ramp,))
    np.testing.assert_array_equal(light[..., 0], light[..., 1])
    np.testing.assert_array_equal(light[..., 0], light[..., 2])
    np.testing.assert_allclose(light[0, :, 0], CURVES["bt709"].decode(ramp[0] / 1023.0), rtol=2e-6, atol=1e-7)


def test_neutral_chroma_gives_exactly_equal_channels():
    luma = np.arange(64, 940, dtype=np.uint16)[None].repeat(2, axis=0)
    chroma = np.full((1, 438), 512, np.uint16)
    light = decode_linear(build_decoder(make_encoding()), (luma, chroma, chroma))
    np.testing.assert_array_equal(light[..., 0], light[..., 1])
    np.testing.assert_array_equal(light[..., 0], light[..., 2])


@pytest.mark.parametrize("dtype, depth", [(np.uint8, 8), (np.uint16, 10), (np.uint16, 16)])
def test_packed_codes_are_decoded_one_by_one(dtype, depth):
    # REFERENCE  IEC 61966-2-1:1999 by colour-science 0.4.7, eotf_sRGB.
    # TOLERANCE  float32.
    encoding = make_encoding(matrix="rgb", chroma="444", range="full", bit_depth=depth, transfer="srgb")
    pixels = np.random.default_rng(1).integers(0, 2**depth, (7, 9, 3)).astype(dtype)
    light = decode_linear(build_decoder(encoding), (pixels,))
    np.testing.assert_allclose(
        light, colour.models.eotf_sRGB(pixels / (2.0**depth - 1)), rtol=1e-5, atol=1e-7
    )
    proxy = decode_proxy(build_decoder(encoding), (pixels,), factor=3, origin=(1, 0))
    means = pixels[1:, :, :].astype(float).reshape(2, 3, 3, 3, 3).mean(axis=(1, 3)) / (2.0**depth - 1)
    np.testing.assert_allclose(proxy.rgb, colour.models.eotf_sRGB(means), rtol=1e-5, atol=1e-7)
    clipped = find_clipped(build_decoder(encoding), (pixels,))
    np.testing.assert_array_equal(clipped, (pixels >= 0.995 * (2.0**depth - 1)) @ np.array([1, 2, 4]))


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_linear_float_pixels_pass_through(dtype):
    encoding = make_encoding(
        matrix="rgb", chroma="444", range="full", bit_depth=16, transfer="linear", is_float=True
    )
    pixels = np.random.default_rng(2).normal(0.3, 2, (6, 8, 3)).astype(dtype)
    np.testing.assert_array_equal(
        decode_linear(build_decoder(encoding), (pixels,)), pixels.astype(np.float32)
    )
    proxy = decode_proxy(build_decoder(encoding), (pixels,), factor=2)
    np.testing.assert_allclose(
        proxy.rgb, pixels.astype(float).reshape(3, 2, 4, 2, 3).mean(axis=(1, 3)), rtol=1e-5
    )
    assert not proxy.clipped.any()  # linear files have no ceiling


def test_unknown_chroma_is_refused():
    with pytest.raises(SettingError, match="411"):
        build_decoder(make_encoding(chroma="411"))


def test_a_box_larger_than_the_picture_is_refused():
    encoding = make_encoding(chroma="444")
    planes = tuple(np.full((2, 2), 512, np.uint16) for _ in range(3))
    with pytest.raises(SettingError, match="2 x 2 has no box of 3 x 3"):
        decode_proxy(build_decoder(encoding), planes, factor=3)
