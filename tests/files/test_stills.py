"""Stills written by other libraries, or byte by byte from the standard, come in code for code."""

from __future__ import annotations

import struct
from fractions import Fraction

import cv2
import imageio.v3 as iio
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile
from numpy.testing import assert_allclose, assert_array_equal

from lightstack.core.colour.light import PRIMARIES, find_primaries
from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.read.stills import StillsReader, read_header, read_still

RNG = np.random.default_rng(11)


def write_exr(path, channels, header=None):
    whole = {name: np.ascontiguousarray(pixels) for name, pixels in channels.items()}  # it ignores strides
    OpenEXR.File({"type": OpenEXR.scanlineimage, **(header or {})}, whole).write(str(path))


def write_dpx(path, codes, *, transfer=1, order=">"):
    """Write a 10-bit RGB DPX byte by byte: SMPTE ST 268-1, three codes in a 32-bit word, filled method A."""
    height, width = codes.shape[:2]
    head = bytearray(b"\xff" * 2048)
    head[0:4] = b"SDPX" if order == ">" else b"XPDS"
    struct.pack_into(f"{order}I8sII", head, 4, 2048, b"V2.0\0\0\0\0", 2048 + 4 * width * height, 1)
    struct.pack_into(f"{order}HHII", head, 768, 0, 1, width, height)
    struct.pack_into(f"{order}I", head, 780, 0)  # unsigned
    struct.pack_into(f"{order}BBBBHHI", head, 800, 50, transfer, transfer, 10, 1, 0, 2048)
    struct.pack_into(f"{order}II", head, 812, 0, 0)  # no padding
    words = (codes[..., 0].astype(np.uint32) << 22) | (codes[..., 1].astype(np.uint32) << 12)
    words |= codes[..., 2].astype(np.uint32) << 2
    path.write_bytes(bytes(head) + words.astype(f"{order}u4").tobytes())


# --- formats ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_exr_keeps_its_floats(tmp_path, kind):
    # REFERENCE  written by OpenEXR's own module. TOLERANCE  bit-exact.
    light = (RNG.normal(size=(9, 14, 3)) * 4).astype(kind)
    path = tmp_path / "hero.1001.exr"
    write_exr(path, {"RGB": light}, {"chromaticities": PRIMARIES["ap1"].chromaticities})
    still = read_still(path)
    assert still.pixels.dtype == kind
    assert_array_equal(still.pixels, light)
    encoding = still.encoding
    assert (encoding.transfer, encoding.primaries, encoding.matrix) == ("linear", "ap1", "rgb")
    assert encoding.is_float and encoding.ceiling == np.inf and not encoding.assumed


def test_exr_without_chromaticities_says_what_it_takes(tmp_path):
    write_exr(tmp_path / "a.exr", {"RGB": np.zeros((2, 2, 3), np.float32)})
    encoding = read_header(tmp_path / "a.exr").encoding
    assert encoding.primaries == "bt709"
    assert "no chromaticities" in encoding.assumed[0]


def test_exr_of_unknown_primaries_keeps_them(tmp_path):
    own = (0.6, 0.3, 0.2, 0.7, 0.1, 0.05, 0.3127, 0.329)
    write_exr(tmp_path / "a.exr", {"RGB": np.zeros((2, 2, 3), np.float32)}, {"chromaticities": own})
    found = find_primaries(read_header(tmp_path / "a.exr").encoding.primaries)
    assert_allclose(found.chromaticities, own, atol=1e-6)


def test_first_part_with_rgb_is_read(tmp_path):
    light = RNG.random((5, 6, 3)).astype(np.float16)
    parts = [
        OpenEXR.Part({"name": "depth"}, {"Z": np.ones((5, 6), np.float32)}),
        OpenEXR.Part({"name": "beauty"}, {"RGBA": np.dstack([light, np.full((5, 6), 0.5, np.float16)])}),
        OpenEXR.Part({"name": "other"}, {"RGB": np.zeros((5, 6, 3), np.float16)}),
    ]
    OpenEXR.File(parts).write(str(tmp_path / "a.exr"))
    still = read_still(tmp_path / "a.exr")
    assert_array_equal(still.pixels, light)  # as stored: alpha neither divided out nor multiplied in
    assert still.alpha_present and "alpha" in still.notes[1]
    assert still.notes[0] == "holds 2 pictures, the one called 'beauty' is used"


def test_layers_follow_the_plain_channels(tmp_path):
    plain, layer = RNG.random((2, 4, 5, 3)).astype(np.float32)
    channels = {f"amber.{c}": layer[..., i] for i, c in enumerate("RGB")}
    write_exr(tmp_path / "layer.exr", channels)
    assert_array_equal(read_still(tmp_path / "layer.exr").pixels, layer)
    write_exr(tmp_path / "both.exr", {**channels, **{c: plain[..., i] for i, c in enumerate("RGB")}})
    assert_array_equal(read_still(tmp_path / "both.exr").pixels, plain)


@pytest.mark.parametrize(
    ("window", "display"),
    [
        ((3, 2, 8, 6), (0, 0, 11, 9)),  # inside
        ((-2, -1, 13, 10), (0, 0, 11, 9)),  # overscan
        ((8, 6, 15, 12), (0, 0, 11, 9)),  # across a corner
        ((14, 22, 17, 24), (10, 20, 20, 29)),  # display window not at the origin
        ((100, 100, 101, 101), (0, 0, 5, 5)),  # nowhere in sight
    ],
)
def test_data_window_is_pasted_into_the_display_window(tmp_path, window, display):
    x0, y0, x1, y1 = window
    dx0, dy0, dx1, dy1 = display
    stored = RNG.random((y1 - y0 + 1, x1 - x0 + 1, 3)).astype(np.float32) + 1
    header = {
        "dataWindow": (np.int32([x0, y0]), np.int32([x1, y1])),
        "displayWindow": (np.int32([dx0, dy0]), np.int32([dx1, dy1])),
    }
    write_exr(tmp_path / "a.exr", {"RGB": stored}, header)
    still = read_still(tmp_path / "a.exr")
    # slow obvious twin: each pixel of the display window looked up by its coordinate
    expected = np.zeros((dy1 - dy0 + 1, dx1 - dx0 + 1, 3), np.float32)
    for y in range(dy0, dy1 + 1):
        for x in range(dx0, dx1 + 1):
            if x0 <= x <= x1 and y0 <= y <= y1:
                expected[y - dy0, x - dx0] = stored[y - y0, x - x0]
    assert_array_equal(still.pixels, expected)
    assert "the rest is black" in still.notes[0]


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_nan_and_infinity_are_counted_and_placed(tmp_path, bad):
    light = np.zeros((6, 7, 3), np.float32)
    light[2, 5, 1] = light[4, 0] = bad
    write_exr(tmp_path / "a.exr", {"RGB": light})
    with pytest.raises(UnreadableInput, match=r"2 pixels are NaN or infinite, the first at x 5, y 2"):
        read_still(tmp_path / "a.exr")


@pytest.mark.parametrize("order", [">", "<"])
def test_ten_bit_dpx_gives_the_codes_in_the_file(tmp_path, order):
    # REFERENCE  a file laid out byte by byte from SMPTE ST 268-1. TOLERANCE  bit-exact.
    codes = RNG.integers(0, 1024, (7, 10, 3)).astype(np.uint16)
    codes[0, 0] = [0, 95, 1023]
    write_dpx(tmp_path / "a.dpx", codes, order=order)
    still = read_still(tmp_path / "a.dpx")
    assert still.pixels.dtype == np.uint16
    assert_array_equal(still.pixels, codes)
    assert still.encoding.bit_depth == 10
    assert still.encoding.transfer == "cineon"


@pytest.mark.parametrize(
    ("transfer", "curve", "sure"),
    [
        (1, "cineon", True),
        (2, "linear", True),
        (3, "cineon", False),
        (6, "bt709", True),
        (255, "cineon", False),
    ],
)
def test_dpx_transfer_comes_from_the_header(tmp_path, transfer, curve, sure):
    # REFERENCE  SMPTE ST 268-1 table of transfer characteristics (1 printing density, 2 linear, 3
    # logarithmic, 6 ITU-R BT.709). TOLERANCE  exact.
    codes = np.full((2, 2, 3), 445, np.uint16)
    write_dpx(tmp_path / "a.dpx", codes, transfer=transfer)
    still = read_still(tmp_path / "a.dpx")
    assert still.encoding.transfer == curve
    assert any("transfer" in sentence for sentence in still.encoding.assumed) is not sure
    assert_array_equal(still.pixels, codes)  # no curve was applied, whatever the header says


@pytest.mark.parametrize(("kind", "bits"), [(np.uint8, 8), (np.uint16, 16)])
@pytest.mark.parametrize("alpha", [False, True])
def test_png_keeps_codes_beside_alpha(tmp_path, kind, bits, alpha):
    # REFERENCE  written by OpenCV, which writes B, G, R, A. TOLERANCE  bit-exact: alpha is not multiplied in.
    codes = RNG.integers(0, np.iinfo(kind).max + 1, (6, 5, 4 if alpha else 3)).astype(kind)
    cv2.imwrite(str(tmp_path / "a.png"), codes)
    still = read_still(tmp_path / "a.png")
    assert_array_equal(still.pixels, codes[..., 2::-1])
    assert (still.encoding.transfer, still.encoding.bit_depth) == ("srgb", bits)
    assert still.alpha_present is alpha


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
def test_tiff_keeps_codes(tmp_path, kind):
    # REFERENCE  written by tifffile. TOLERANCE  bit-exact.
    codes = (RNG.random((6, 5, 3)) * (255 if kind == np.uint8 else 65535)).astype(kind)
    tifffile.imwrite(tmp_path / "a.tif", codes, photometric="rgb")
    still = read_still(tmp_path / "a.tif")
    assert_array_equal(still.pixels, codes)
    assert still.encoding.transfer == ("linear" if kind == np.float32 else "srgb")
    assert still.encoding.assumed


def test_grey_is_repeated(tmp_path):
    codes = RNG.integers(0, 256, (4, 3)).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "a.png"), codes)
    still = read_still(tmp_path / "a.png")
    assert_array_equal(still.pixels, np.repeat(codes[..., None], 3, axis=2))
    assert "grey" in still.notes[0]
    write_exr(tmp_path / "y.exr", {"Y": codes.astype(np.float32)})
    assert_array_equal(read_still(tmp_path / "y.exr").pixels[..., 2], codes)


def test_jpeg_equals_another_decoder(tmp_path):
    # REFERENCE  imageio (Pillow's libjpeg). TOLERANCE  one code: decoders may differ in their inverse
    # transform.
    ramp = np.linspace(20, 230, 64)
    codes = np.dstack([np.add.outer(ramp, ramp) / 2] * 3).astype(np.uint8)
    iio.imwrite(tmp_path / "a.jpg", codes, quality=95)
    still = read_still(tmp_path / "a.jpg")
    assert np.abs(still.pixels.astype(int) - iio.imread(tmp_path / "a.jpg")).max() <= 1
    assert still.encoding.transfer == "srgb"


def test_camera_orientation_aspect_and_rate_are_told(tmp_path):
    spec = oiio.ImageSpec(6, 4, 3, "uint8")
    spec.attribute("Orientation", 6)
    out = oiio.ImageOutput.create(str(tmp_path / "a.jpg"))
    out.open(str(tmp_path / "a.jpg"), spec)
    out.write_image(np.zeros((4, 6, 3), np.uint8))
    out.close()
    # REFERENCE  Exif 2.32 tag 274: 6 = the row's start is the picture's right side. TOLERANCE  exact.
    assert read_header(tmp_path / "a.jpg").rotation == 90
    header = {"pixelAspectRatio": 2.0, "framesPerSecond": Fraction(24000, 1001)}
    header["timeCode"] = OpenEXR.TimeCode(1, 2, 3, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)
    write_exr(tmp_path / "a.exr", {"RGB": np.zeros((2, 2, 3), np.float32)}, header)
    found = read_header(tmp_path / "a.exr")
    assert (found.pixel_aspect, found.rate) == (2, Fraction(24000, 1001))
    assert found.timecode == "01:02:03:04"


def test_one_pixel(tmp_path):
    cv2.imwrite(str(tmp_path / "a.png"), np.uint8([[[1, 2, 3]]]))
    assert_array_equal(read_still(tmp_path / "a.png").pixels, [[[3, 2, 1]]])


# --- bad files -------------------------------------------------------------------------------------


def one_line(error) -> bool:
    return "\n" not in str(error.value)


@pytest.mark.parametrize("suffix", [".png", ".exr", ".tif", ".dpx", ".jpg"])
def test_cut_empty_and_false_files_are_one_line(tmp_path, suffix, capfd):
    whole = tmp_path / f"whole{suffix}"
    codes = RNG.integers(0, 256, (60, 60, 3)).astype(np.uint8)
    if suffix == ".exr":
        write_exr(whole, {"RGB": codes.astype(np.float32)})
    elif suffix == ".dpx":
        write_dpx(whole, codes.astype(np.uint16))
    else:
        cv2.imwrite(str(whole), codes)
    data = whole.read_bytes()
    cut, empty, false = (tmp_path / f"{word}{suffix}" for word in ("cut", "empty", "false"))
    cut.write_bytes(data[: len(data) * 6 // 10])
    empty.write_bytes(b"")
    false.write_bytes(b"this is a letter, not a picture")
    for path, words in ((cut, "cut"), (empty, "0 bytes"), (false, "not a readable still")):
        with pytest.raises(UnreadableInput, match=words) as caught:
            read_still(path)
        assert one_line(caught) and path.name in str(caught.value)
    with pytest.raises(MissingInput, match="nothing is there"):
        read_still(tmp_path / f"none{suffix}")
    with pytest.raises(UnreadableInput, match="folder"):
        read_still(tmp_path)


def test_absurd_sizes_are_refused_before_allocating(tmp_path):
    header = {
        "dataWindow": (np.int32([0, 0]), np.int32([1, 1])),
        "displayWindow": (np.int32([0, 0]), np.int32([59999, 59999])),
    }
    write_exr(tmp_path / "a.exr", {"RGB": np.zeros((2, 2, 3), np.float16)}, header)
    with pytest.raises(UnreadableInput, match="60000 x 60000 pixels, the limit is 134217728"):
        read_still(tmp_path / "a.exr")
    path = tmp_path / "a.dpx"
    write_dpx(path, np.zeros((2, 2, 3), np.uint16))
    data = bytearray(path.read_bytes())
    struct.pack_into(">II", data, 772, 60000, 60000)
    path.write_bytes(data)
    with pytest.raises(UnreadableInput, match=r"corrupt|cannot be in"):
        read_still(path)


def test_channels_that_are_no_picture_are_named(tmp_path):
    write_exr(tmp_path / "a.exr", {"u": np.zeros((2, 2), np.float32), "v": np.zeros((2, 2), np.float32)})
    with pytest.raises(UnreadableInput, match="holds u, v; R, G, B or one grey channel expected"):
        read_still(tmp_path / "a.exr")


# --- the reader ------------------------------------------------------------------------------------


def test_reader_streams_in_order_with_and_without_looking_ahead(tmp_path):
    for number in range(1, 8):
        cv2.imwrite(str(tmp_path / f"a.{number:03d}.png"), np.full((3, 4, 3), number, np.uint8))
    reader = StillsReader(tmp_path)
    assert reader.numbers == tuple(range(1, 8))
    assert (reader.header.width, reader.header.height) == (4, 3)
    for ahead in (0, 1, 3):
        streamed = [(number, int(still.pixels[0, 0, 0])) for number, still in reader.stream(ahead=ahead)]
        assert streamed == [(number, number) for number in range(1, 8)]
    assert [number for number, _ in reader.stream([6, 2])] == [6, 2]
    stream = reader.stream()
    next(stream)
    stream.close()


def test_reader_refuses_a_change_in_the_middle(tmp_path):
    cv2.imwrite(str(tmp_path / "a.1.png"), np.zeros((3, 4, 3), np.uint8))
    cv2.imwrite(str(tmp_path / "a.2.png"), np.zeros((3, 5, 3), np.uint8))
    cv2.imwrite(str(tmp_path / "a.3.png"), np.zeros((3, 4, 3), np.uint16))
    reader = StillsReader(tmp_path / "a.1.png")
    with pytest.raises(MismatchedInput, match=r"a\.2\.png: is 5 x 3, the take began as 4 x 3"):
        reader.read(2)
    with pytest.raises(MismatchedInput, match=r"a\.3\.png: holds uint16 of 16 bits"):
        list(reader.stream([1, 3]))
    with pytest.raises(KeyError):
        reader.read(9)


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_that_is_cut_is_refused_wherever_it_is(tmp_path, progressive):
    # without its later passes a progressive picture decodes without a word, only coarser
    codes = np.random.default_rng(4).integers(0, 255, (48, 64, 3), np.uint8)
    words = [cv2.IMWRITE_JPEG_PROGRESSIVE, int(progressive)]
    cv2.imwrite(str(tmp_path / "whole.jpg"), codes, words)
    whole = (tmp_path / "whole.jpg").read_bytes()
    read_still(tmp_path / "whole.jpg")
    (tmp_path / "more.jpg").write_bytes(whole + b"what a phone adds behind the picture")
    read_still(tmp_path / "more.jpg")
    for length in range(3, len(whole), 97):
        (tmp_path / "cut.jpg").write_bytes(whole[:length])
        with pytest.raises(UnreadableInput):
            read_still(tmp_path / "cut.jpg")


def test_a_png_with_a_wrong_check_sum_is_refused_in_one_line(tmp_path, capfd):
    cv2.imwrite(str(tmp_path / "a.png"), np.random.default_rng(4).integers(0, 255, (48, 64, 3), np.uint8))
    data = bytearray((tmp_path / "a.png").read_bytes())
    data[len(data) // 2] ^= 4
    (tmp_path / "a.png").write_bytes(data)
    with pytest.raises(UnreadableInput, match="check sum of its 'IDAT'"):
        read_still(tmp_path / "a.png")
    assert capfd.readouterr() == ("", "")  # its library would complain on its own
