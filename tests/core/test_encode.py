"""Linear light back to code values."""

import colour
import numpy as np
import pytest
from core_helpers import make_encoding

from lightstack.core.colour.decoder import build_decoder
from lightstack.core.colour.encode import count_beyond, encode_planes, turn_upright
from lightstack.core.colour.light import CURVES
from lightstack.core.colour.planes import decode_linear, decode_signal
from lightstack.errors import SettingError
from lightstack.records import CodedFrame

LAYOUTS = [
    ("420", "left"),
    ("420", "center"),
    ("420", "topleft"),
    ("422", "left"),
    ("422", "center"),
    ("444", "left"),
]


def make_smooth_planes(size, chroma, depth):
    """A gently rolling picture within the cube."""
    scale = 2 ** (depth - 8)
    y, x = np.mgrid[0 : size[0], 0 : size[1]] / max(size)
    low_y = np.mgrid[0 : -(-size[0] // 2) if chroma == "420" else size[0]] / max(size)
    low_x = np.mgrid[0 : size[1] if chroma == "444" else -(-size[1] // 2)] / max(size)
    luma = 110 + 50 * np.sin(2 * x + 1) * np.cos(3 * y)
    cb = 128 + 12 * np.sin(3 * low_x)[None] * np.cos(2 * low_y)[:, None]
    cr = 128 + 10 * np.cos(2 * low_x)[None] * np.ones_like(low_y)[:, None]
    dtype = np.uint8 if depth == 8 else np.uint16
    return tuple(np.rint(plane * scale).astype(dtype) for plane in (luma, cb, cr))


def make_noisy_planes(size, chroma, depth, seed=0):
    rng = np.random.default_rng(seed)
    shape = (
        -(-size[0] // 2) if chroma == "420" else size[0],
        size[1] if chroma == "444" else -(-size[1] // 2),
    )
    scale = 2 ** (depth - 8)
    dtype = np.uint8 if depth == 8 else np.uint16
    luma = rng.integers(40 * scale, 200 * scale, size).astype(dtype)
    return luma, *(rng.integers(100 * scale, 156 * scale, shape).astype(dtype) for _ in range(2))


@pytest.mark.parametrize("chroma, location", LAYOUTS)
@pytest.mark.parametrize("depth, range_", [(8, "limited"), (10, "full"), (12, "limited")])
@pytest.mark.parametrize("transfer, primaries", [("bt709", "bt709"), ("slog3", "sgamut3cine")])
def test_decode_then_encode_gives_the_same_codes(chroma, location, depth, range_, transfer, primaries):
    encoding = make_encoding(
        chroma=chroma,
        chroma_location=location,
        bit_depth=depth,
        range=range_,
        transfer=transfer,
        primaries=primaries,
    )
    frame = CodedFrame(1, make_noisy_planes((17, 35), chroma, depth), None)
    light = decode_linear(build_decoder(encoding), frame.planes)
    again = encode_planes(light, encoding, like=frame)
    for ours, own in zip(again.planes, frame.planes, strict=True):
        np.testing.assert_array_equal(ours, own)
    assert again.limited == 0


@pytest.mark.parametrize("chroma, location", LAYOUTS)
def test_encoding_smooth_pictures_from_nothing_is_within_one_code(chroma, location):
    encoding = make_encoding(chroma=chroma, chroma_location=location)
    planes = make_smooth_planes((64, 97), chroma, 10)
    again = encode_planes(decode_linear(build_decoder(encoding), planes), encoding)
    for ours, own in zip(again.planes, planes, strict=True):
        assert np.abs(ours.astype(int) - own).max() <= 1


def test_unchanged_pixels_keep_their_codes():
    encoding = make_encoding()
    frame = CodedFrame(1, make_noisy_planes((12, 16), "420", 10), None)
    light = decode_linear(build_decoder(encoding), frame.planes)
    changed = np.zeros((12, 16), bool)
    changed[5, 7] = True
    relit = np.where(
        changed[..., None], light + np.float32([0.2, 0.05, 0.3]), 99.0
    )  # the rest must not matter
    again = encode_planes(relit.astype(np.float32), encoding, like=frame, changed=changed)
    differs = again.planes[0] != frame.planes[0]
    assert differs[5, 7]
    assert differs.sum() == 1
    for ours, own in zip(again.planes[1:], frame.planes[1:], strict=True):
        touched = ours != own
        assert touched[2, 3]
        assert touched.sum() == 1

    nothing = encode_planes(relit, encoding, like=frame, changed=np.zeros((12, 16), bool))
    for ours, own in zip(nothing.planes, frame.planes, strict=True):
        np.testing.assert_array_equal(ours, own)


def test_black_light_changes_nothing_and_more_light_never_darkens():
    encoding = make_encoding(chroma="422")
    frame = CodedFrame(1, make_noisy_planes((9, 14), "422", 10), None)
    light = decode_linear(build_decoder(encoding), frame.planes)
    before = encode_planes(light, encoding, like=frame).planes[0].astype(int)
    for gain in (0.01, 0.1, 0.5):
        after = encode_planes(light + np.float32(gain), encoding, like=frame).planes[0].astype(int)
        assert (after >= before).all()
        before = after


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("depth, range_", [(8, "limited"), (10, "limited"), (10, "full")])
def test_flat_colours_get_the_codes_of_colour_science(matrix, depth, range_):
    # REFERENCE  colour-science 0.4.7: oetf_BT709, RGB_to_YCbCr with the standard's weights, integers.
    # TOLERANCE  none but where our float32 and its float64 fall on two sides of a half: one code, rarely.
    weights = {"bt601": "ITU-R BT.601", "bt709": "ITU-R BT.709", "bt2020": "ITU-R BT.2020"}[matrix]
    light = np.random.default_rng(3).uniform(0, 1, (10, 20, 3)).astype(np.float32)
    encoding = make_encoding(matrix=matrix, bit_depth=depth, range=range_, chroma="444")
    ours = np.stack(encode_planes(light, encoding).planes, axis=-1).astype(int)
    theirs = colour.RGB_to_YCbCr(
        colour.models.oetf_BT709(light.astype(float)),
        K=colour.WEIGHTS_YCBCR[weights],
        out_bits=depth,
        out_legal=range_ == "limited",
        out_int=True,
    )
    assert np.abs(ours - theirs).max() <= 1
    assert (ours != theirs).mean() < 0.005


@pytest.mark.parametrize("transfer", sorted(CURVES))
def test_the_curve_table_follows_the_curve(transfer):
    # Every curve, dark to bright and below black: the coded signal against the curve itself.
    light = np.concatenate([-np.geomspace(1e-7, 0.05, 50), [0], np.geomspace(1e-7, 0.9, 149)]).astype(
        np.float32
    )
    encoding = make_encoding(matrix="rgb", chroma="444", range="full", bit_depth=16, transfer=transfer)
    coded = encode_planes(np.repeat(light[None, :, None], 3, axis=2), encoding).planes[1][0] / 65535
    expected = np.clip(CURVES[transfer].encode(light.astype(float)), 0, 1)
    # TOLERANCE  half a 16-bit code, and a root's steep foot below 2**-26 of white.
    np.testing.assert_allclose(coded, expected, atol=6e-4 if expected[50] - expected[49] > 1e-4 else 2e-5)


def test_lights_that_have_no_code_are_limited_and_counted():
    encoding = make_encoding(chroma="444")
    frame = CodedFrame(1, make_smooth_planes((6, 8), "444", 10), None)
    light = decode_linear(build_decoder(encoding), frame.planes)
    light[2, 3] = [40, 0.5, 0.2]
    light[4, 4] = 50
    again = encode_planes(light, encoding, like=frame)
    assert again.limited == 2
    assert again.planes[0].max() <= 1019  # ITU-R BT.709-6, table 3: 10-bit video data is 4-1019
    signal = decode_signal(build_decoder(encoding), again.planes)[2, 3]
    assert signal[0] > signal[1] > signal[2]  # limited as R'G'B', so the order of channels holds


def test_hero_colours_beyond_white_are_not_pulled_in():
    encoding = make_encoding(chroma="444")
    planes = tuple(np.full((2, 2), code, np.uint16) for code in (900, 512, 900))  # red signal far above 1
    frame = CodedFrame(1, planes, None)
    light = decode_linear(build_decoder(encoding), planes)
    assert light[0, 0, 0] > 2
    again = encode_planes(light, encoding, like=frame)
    assert again.limited == 0
    assert all(np.array_equal(ours, own) for ours, own in zip(again.planes, planes, strict=True))


def test_working_primaries_are_undone():
    encoding = make_encoding(chroma="444")
    frame = CodedFrame(1, make_noisy_planes((8, 8), "444", 10), None)
    light = decode_linear(build_decoder(encoding, "bt2020"), frame.planes)
    again = encode_planes(light, encoding, like=frame, working="bt2020")
    for ours, own in zip(again.planes, frame.planes, strict=True):
        np.testing.assert_array_equal(ours, own)


@pytest.mark.parametrize("rotation", [0, 90, 180, 270])
def test_rotation_is_undone(rotation):
    encoding = make_encoding()
    frame = CodedFrame(1, make_noisy_planes((10, 16), "420", 10), None)
    upright = turn_upright(decode_linear(build_decoder(encoding), frame.planes), rotation)
    changed = np.zeros(upright.shape[:2], bool)
    again = encode_planes(upright, encoding, like=frame, rotation=rotation)
    kept = encode_planes(upright * 0, encoding, like=frame, changed=changed, rotation=rotation)
    for ours, same, own in zip(again.planes, kept.planes, frame.planes, strict=True):
        np.testing.assert_array_equal(ours, own)
        np.testing.assert_array_equal(same, own)


def test_turning_is_clockwise():
    picture = np.array([[1, 2], [3, 4], [5, 6]])
    np.testing.assert_array_equal(turn_upright(picture, 90), [[5, 3, 1], [6, 4, 2]])
    np.testing.assert_array_equal(turn_upright(turn_upright(picture, 90), 90, back=True), picture)
    with pytest.raises(SettingError, match="45"):
        turn_upright(picture, 45)


def test_grey_and_rgb_files_come_back():
    grey = make_encoding(chroma="grey", range="full")
    ramp = np.arange(0, 1024, 7, dtype=np.uint16)[None].repeat(2, axis=0)
    frame = CodedFrame(1, (ramp,), None)
    again = encode_planes(decode_linear(build_decoder(grey), (ramp,)), grey, like=frame)
    np.testing.assert_array_equal(again.planes[0], ramp)

    rgb = make_encoding(matrix="rgb", chroma="444", range="full", bit_depth=8, transfer="srgb")
    pixels = np.random.default_rng(5).integers(0, 256, (6, 7, 3)).astype(np.uint8)
    frame = CodedFrame(1, (pixels,), None)
    (ours,) = encode_planes(decode_linear(build_decoder(rgb), (pixels,)), rgb, like=frame).planes
    np.testing.assert_array_equal(ours, pixels)


def test_float_pictures_are_not_coded_back():
    encoding = make_encoding(matrix="rgb", chroma="444", transfer="linear", is_float=True)
    with pytest.raises(SettingError, match="cannot be written back"):
        encode_planes(np.zeros((2, 2, 3), np.float32), encoding)


@pytest.mark.parametrize("depth, range_", [(8, "limited"), (10, "limited"), (10, "full")])
@pytest.mark.parametrize("working", [None, "bt2020"])
def test_what_lies_beyond_the_top_is_counted_by_channel(depth, range_, working):
    # REFERENCE  ITU-R BT.709-6, item 1.2 and tables 3-4: the camera curve 1.099 L^0.45 - 0.099 at the highest video
    # code, 254 (8 bit) or 1019 (10 bit) of limited range; full range ends at 1.
    # TOLERANCE  exact counts; no value lies within 0.1 % of the limit.
    encoding = make_encoding(chroma="444", bit_depth=depth, range=range_)
    step = 2 ** (depth - 8)
    signal = 1.0 if range_ == "full" else (255 * step - 1 - 16 * step) / (219 * step)
    top = ((signal + 0.099) / 1.099) ** (1 / 0.45)
    light = np.full((6, 10, 3), 0.5 * top, np.float32)
    light[0, :3, 0] = 1.002 * top
    light[0, 2:7, 1] = 5 * top
    light[5, :, 2] = 0.998 * top
    if working:
        light = light @ colour_matrix("bt709", working).astype(np.float32).T
    assert count_beyond(light, encoding, working=working) == (3, 5, 0)
    assert encode_planes(light, encoding, working=working).limited == 7
    changed = np.zeros((6, 10), bool)
    changed[0, 2] = True
    assert count_beyond(light, encoding, working=working, changed=changed) == (1, 1, 0)


def test_what_the_hero_holds_above_the_top_himself_is_not_counted():
    encoding = make_encoding(chroma="444", bit_depth=8)
    hero = np.full((2, 2, 3), 1.5, np.float32)
    light = hero.copy()
    light[0, 0, 2] = 1.6
    light[1, 1] = np.nan
    assert count_beyond(hero, encoding, hero=hero) == (0, 0, 0)
    assert count_beyond(light, encoding, hero=hero) == (1, 1, 2)  # what is no number is cut, too
    with pytest.raises(SettingError, match="cannot be written back"):
        count_beyond(light, make_encoding(is_float=True))


def colour_matrix(source, target):
    """RGB to RGB by colour-science; no adaptation is needed, both are D65."""
    spaces = {"bt709": "ITU-R BT.709", "bt2020": "ITU-R BT.2020"}
    one, two = (colour.RGB_COLOURSPACES[spaces[name]] for name in (source, target))
    return colour.matrix_RGB_to_RGB(one, two, chromatic_adaptation_transform=None)
