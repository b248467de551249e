"""Kinds of stills besides the plain one: each is read as the library that made it meant it, or refused."""

from __future__ import annotations

import struct
import zlib

import cv2
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
import tifffile
from numpy.testing import assert_array_equal
from PIL import Image, ImageOps

from lightstack.core.colour.encode import turn_upright
from lightstack.errors import MismatchedInput, UnreadableInput
from lightstack.files.read.masks import read_mask
from lightstack.files.read.stills import StillsReader, read_header, read_still

RNG = np.random.default_rng(5)
BYTES = RNG.integers(0, 256, (21, 30, 3)).astype(np.uint8)
WORDS = RNG.integers(0, 65536, (21, 30, 4)).astype(np.uint16)
LIGHT = RNG.random((40, 50, 3)).astype(np.float32)


def repeat(grey):
    return np.repeat(grey[..., None], 3, axis=2)


# --- PNG -------------------------------------------------------------------------------------------


def write_interlaced_png(path, codes):
    """Write a PNG in seven passes, byte by byte: W3C PNG, third edition, 8.1 (Adam7), no filter."""
    height, width = codes.shape[:2]
    kind = 2 if codes.ndim == 3 else 0
    rows = b""
    for x, y, across, down in ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
                               (0, 1, 1, 2)):  # fmt: skip
        part = np.ascontiguousarray(codes[y::down, x::across]).astype(codes.dtype.newbyteorder(">"))
        rows += b"".join(b"\0" + row.tobytes() for row in part)
    head = struct.pack(">IIBBBBB", width, height, 8 * codes.dtype.itemsize, kind, 0, 0, 1)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + b"".join(struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in chunks)
    )


@pytest.mark.parametrize("codes", [BYTES, WORDS[..., :3], WORDS[..., 0]], ids=["8 bit", "16 bit", "16 bit grey"])
def test_an_interlaced_png_is_read_whole(tmp_path, codes):
    write_interlaced_png(tmp_path / "a.png", codes)
    found = read_still(tmp_path / "a.png")
    assert_array_equal(found.pixels, codes if codes.ndim == 3 else repeat(codes))
    assert found.encoding.bit_depth == 8 * codes.dtype.itemsize


@pytest.mark.parametrize("clear", [None, 3], ids=["opaque", "with a clear entry"])
def test_a_palette_is_looked_up(tmp_path, clear):
    # REFERENCE  Pillow's own look-up. TOLERANCE  exact.
    picture = Image.fromarray(BYTES).quantize(16)
    picture.save(tmp_path / "a.png", **({} if clear is None else {"transparency": clear}))
    found = read_still(tmp_path / "a.png")
    assert_array_equal(found.pixels, np.asarray(picture.convert("RGB")))
    assert found.alpha_present is (clear is not None)


def test_grey_with_alpha_one_bit_and_a_clear_colour(tmp_path):
    # REFERENCE  written by Pillow. TOLERANCE  exact: alpha is never multiplied in.
    Image.fromarray(np.dstack([BYTES[..., 0], BYTES[..., 1]]), "LA").save(tmp_path / "la.png")
    found = read_still(tmp_path / "la.png")
    assert_array_equal(found.pixels, repeat(BYTES[..., 0]))
    assert found.alpha_present and "grey" in found.notes[0]
    bits = BYTES[..., 0] > 127
    Image.fromarray(bits).save(tmp_path / "bit.png")
    assert_array_equal(read_still(tmp_path / "bit.png").pixels, repeat(bits * np.uint8(255)))
    Image.fromarray(BYTES).save(tmp_path / "clear.png", transparency=tuple(map(int, BYTES[0, 0])))
    assert_array_equal(read_still(tmp_path / "clear.png").pixels, BYTES)
    cv2.imwrite(str(tmp_path / "deep.png"), WORDS)
    assert_array_equal(read_still(tmp_path / "deep.png").pixels, WORDS[..., 2::-1])


# --- TIFF ------------------------------------------------------------------------------------------

TIFFS = {
    "tiled": ({"tile": (16, 16)}, WORDS[..., :3]),
    "by planes": ({"planarconfig": "separate"}, np.moveaxis(WORDS[..., :3], 2, 0)),
    "big and foreign": ({"bigtiff": True, "byteorder": ">"}, WORDS[..., :3]),
    "alpha multiplied in": ({"extrasamples": ["assocalpha"]}, WORDS),
    "alpha beside": ({"extrasamples": ["unassalpha"]}, WORDS),
    "halves": ({}, LIGHT.astype(np.float16)),
}


@pytest.mark.parametrize("kind", TIFFS)
def test_tiff_of_many_kinds(tmp_path, kind):
    # REFERENCE  written by tifffile. TOLERANCE  bit-exact.
    words, stored = TIFFS[kind]
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", **words)
    found = read_still(tmp_path / "a.tif")
    assert_array_equal(found.pixels, np.moveaxis(stored, 0, 2) if kind == "by planes" else stored[..., :3])
    assert found.alpha_present is ("alpha" in kind)


def test_grey_that_begins_with_white_is_turned_round(tmp_path):
    # REFERENCE  TIFF 6.0, tag 262: 0 = white is zero.
    tifffile.imwrite(tmp_path / "a.tif", BYTES[..., 0], photometric="miniswhite")
    assert_array_equal(read_still(tmp_path / "a.tif").pixels, repeat(255 - BYTES[..., 0]))


def test_luma_and_chroma_of_a_tiff_become_colours(tmp_path):
    # REFERENCE  Pillow (libtiff and its own conversion). TOLERANCE  one code: either rounds.
    tifffile.imwrite(tmp_path / "a.tif", BYTES, photometric="ycbcr")
    with Image.open(tmp_path / "a.tif") as picture:
        other = np.asarray(picture.convert("RGB")).astype(int)
    assert np.abs(read_still(tmp_path / "a.tif").pixels - other).max() <= 1


def test_of_many_pages_the_first_is_used_and_said(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", np.stack([BYTES, BYTES // 2, BYTES // 4]), photometric="rgb")
    found = read_still(tmp_path / "a.tif")
    assert_array_equal(found.pixels, BYTES)
    assert found.notes == ("holds 3 pictures, number 1 is used",)


def test_a_small_copy_before_the_picture_is_passed_over(tmp_path):
    # REFERENCE  TIFF 6.0, tag 254, bit 0: a reduced version of another picture of this file.
    with tifffile.TiffWriter(tmp_path / "a.tif") as out:
        out.write(BYTES[::4, ::4], photometric="rgb", subfiletype=1)
        out.write(BYTES, photometric="rgb")
    found = read_still(tmp_path / "a.tif")
    assert_array_equal(found.pixels, BYTES)
    assert not found.notes


@pytest.mark.parametrize("model, said", [("separated", "amounts of ink"), ("cielab", r"holds L\*a\*b\*")])
def test_numbers_that_are_no_light_are_refused(tmp_path, model, said):
    stored = WORDS if model == "separated" else WORDS[..., :3]
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric=model)
    for read in (read_still, lambda path: read_mask(path, stored.shape[:2])):
        with pytest.raises(UnreadableInput, match=said):
            read(tmp_path / "a.tif")


def test_a_jpeg_of_inks_is_refused(tmp_path):
    Image.fromarray(WORDS.astype(np.uint8), "CMYK").save(tmp_path / "a.jpg")
    with pytest.raises(UnreadableInput, match="amounts of ink"):
        read_header(tmp_path / "a.jpg")


def test_a_dpx_of_luma_and_chroma_is_refused(tmp_path):
    # REFERENCE  laid out byte by byte from SMPTE ST 268-1: descriptor 100, 8 bits, Cb Y Cr Y.
    head = bytearray(b"\xff" * 2048)
    struct.pack_into(">4sI8sI", head, 0, b"SDPX", 2048, b"V2.0\0\0\0\0", 2048 + 512)
    struct.pack_into(">HHII", head, 768, 0, 1, 32, 8)
    struct.pack_into(">IIIIIBBBBHHIII", head, 780, 0, 0, 0, 0, 0, 100, 6, 6, 8, 0, 0, 2048, 0, 0)
    (tmp_path / "a.dpx").write_bytes(bytes(head) + bytes([90, 100, 200, 100]) * 128)
    with pytest.raises(UnreadableInput, match=r"luma and chroma \(CbYCrY\)"):
        read_header(tmp_path / "a.dpx")


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_still_is_upright_and_at_most_left_and_right_are_exchanged(tmp_path, orientation):
    # REFERENCE  Pillow's turning by Exif. TOLERANCE  exact.
    exif = Image.Exif()
    exif[0x0112] = orientation
    Image.fromarray(BYTES).save(tmp_path / "a.tif", exif=exif)
    with Image.open(tmp_path / "a.tif") as picture:
        upright = np.asarray(ImageOps.exif_transpose(picture))
    still = read_still(tmp_path / "a.tif")
    mirrored = orientation in (2, 4, 5, 7)
    assert_array_equal(turn_upright(still.pixels, still.header.rotation), upright[:, ::-1] if mirrored else upright)
    assert any("mirrored" in note for note in still.notes) is mirrored


# --- EXR -------------------------------------------------------------------------------------------


def write_exr(path, channels, **header):
    whole = {name: np.ascontiguousarray(pixels) for name, pixels in channels.items()}
    OpenEXR.File({"type": OpenEXR.scanlineimage, **header}, whole).write(str(path))


@pytest.mark.parametrize("side", [16, 64])
def test_a_tiled_exr(tmp_path, side):
    # REFERENCE  OpenEXR's own module. TOLERANCE  bit-exact.
    tiles = OpenEXR.TileDescription()
    tiles.xSize = tiles.ySize = side
    write_exr(tmp_path / "a.exr", {"RGB": LIGHT}, type=OpenEXR.tiledimage, tiles=tiles)
    assert_array_equal(read_still(tmp_path / "a.exr").pixels, LIGHT)


def test_an_exr_of_many_sizes_gives_the_largest(tmp_path):
    picture = oiio.ImageBuf(oiio.ImageSpec(64, 64, 3, "half"))
    oiio.ImageBufAlgo.noise(picture, "uniform", 0, 1)
    oiio.ImageBufAlgo.make_texture(oiio.MakeTxTexture, picture, str(tmp_path / "a.exr"))
    assert_array_equal(read_still(tmp_path / "a.exr").pixels, picture.get_pixels("half"))


def test_which_of_several_pictures_is_used_is_said(tmp_path):
    parts = [
        OpenEXR.Part({"name": n, "type": OpenEXR.scanlineimage}, {"RGB": LIGHT * k}) for n, k in (("a", 1), ("b", 2))
    ]
    OpenEXR.File(parts).write(str(tmp_path / "parts.exr"))
    found = read_still(tmp_path / "parts.exr")
    assert_array_equal(found.pixels, LIGHT)
    assert found.notes == ("holds 2 pictures, the one called 'a' is used",)
    views = {f"{eye}.{c}": LIGHT[..., i] * k for eye, k in (("left", 1), ("right", 2)) for i, c in enumerate("RGB")}
    write_exr(tmp_path / "views.exr", views)
    found = read_still(tmp_path / "views.exr")
    assert_array_equal(found.pixels, LIGHT)
    assert found.notes == ("layer 'left' is used, not layer 'right'",)


@pytest.mark.parametrize("names", ["R", "G", "RG", "GB", "RA", "GA", "A", "Z", "XYZ", "ARZ"])
def test_a_picture_that_has_lost_channels_is_refused(tmp_path, names):
    write_exr(tmp_path / "a.exr", dict.fromkeys(names, LIGHT[..., 0]))
    with pytest.raises(UnreadableInput, match=r"holds [A-Z, ]+; R, G, B or one grey channel expected"):
        read_header(tmp_path / "a.exr")


def test_numbers_beside_the_picture_may_be_of_any_kind(tmp_path):
    colours = {c: LIGHT[..., i].astype(np.float16) for i, c in enumerate("RGB")}
    write_exr(tmp_path / "a.exr", {**colours, "id": np.ones(LIGHT.shape[:2], np.uint32)})
    found = read_still(tmp_path / "a.exr")
    assert_array_equal(found.pixels, LIGHT.astype(np.float16))
    with pytest.raises(UnreadableInput, match="holds uint;"):
        read_mask(tmp_path / "a.exr", LIGHT.shape[:2], channel="id")
    assert_array_equal(read_mask(tmp_path / "a.exr", LIGHT.shape[:2], channel="g"), colours["G"].astype(np.float32))


def test_deep_data_is_no_picture_and_no_mask(tmp_path):
    spec = oiio.ImageSpec(4, 3, 4, "float")
    spec.channelnames, spec.deep = ("R", "G", "B", "A"), True
    deep = oiio.DeepData()
    deep.init(12, 4, [oiio.TypeFloat] * 4, list("RGBA"))
    for pixel in range(12):
        deep.set_samples(pixel, 2)
        for channel in range(4):
            deep.set_deep_value(pixel, channel, 0, 0.25)
            deep.set_deep_value(pixel, channel, 1, 0.5)
    out = oiio.ImageOutput.create(str(tmp_path / "a.exr"))
    assert out.open(str(tmp_path / "a.exr"), spec) and out.write_deep_image(deep)
    out.close()
    for read in (read_still, lambda path: read_mask(path, (3, 4))):
        with pytest.raises(UnreadableInput, match="deep or volume data; write it again as a flat picture"):
            read(tmp_path / "a.exr")


def write_thinned_exr(path, channels):
    """Write an EXR of floats without compression, byte by byte: channels are (name, pixels, step).

    Reference: OpenEXR, "OpenEXR File Layout": channels by name, lines in which a channel has no pixels leave it out.
    """
    height = max(pixels.shape[0] * step for _, pixels, step in channels)
    width = max(pixels.shape[1] * step for _, pixels, step in channels)
    listed = b"".join(name.encode() + b"\0" + struct.pack("<iB3xii", 2, 0, step, step) for name, _, step in channels)
    box = struct.pack("<4i", 0, 0, width - 1, height - 1)
    attributes = (("channels", "chlist", listed + b"\0"), ("compression", "compression", b"\0"),
                  ("dataWindow", "box2i", box), ("displayWindow", "box2i", box), ("lineOrder", "lineOrder", b"\0"),
                  ("pixelAspectRatio", "float", struct.pack("<f", 1)), ("screenWindowCenter", "v2f", bytes(8)),
                  ("screenWindowWidth", "float", struct.pack("<f", 1)))  # fmt: skip
    head = b"\x76\x2f\x31\x01" + struct.pack("<I", 2)
    head += (
        b"".join(n.encode() + b"\0" + k.encode() + b"\0" + struct.pack("<I", len(v)) + v for n, k, v in attributes)
        + b"\0"
    )
    lines = []
    for y in range(height):
        data = b"".join(p[y // step].astype("<f4").tobytes() for _, p, step in channels if y % step == 0)
        lines.append(struct.pack("<iI", y, len(data)) + data)
    places = np.cumsum([len(head) + 8 * height, *map(len, lines)])[:-1]
    path.write_bytes(head + struct.pack(f"<{height}Q", *places) + b"".join(lines))


def test_thinned_channels_are_refused(tmp_path):
    path = tmp_path / "a.exr"
    write_thinned_exr(path, [(c, LIGHT[..., i], 1) for i, c in reversed(list(enumerate("RGB")))])
    assert_array_equal(read_still(path).pixels, LIGHT)  # what is written here by hand is an EXR
    write_thinned_exr(path, [("BY", LIGHT[::2, ::2, 2], 2), ("RY", LIGHT[::2, ::2, 0], 2), ("Y", LIGHT[..., 1], 1)])
    with pytest.raises(UnreadableInput, match=r"[Ss]ubsampl"):
        read_still(path)
    write_thinned_exr(path, [("B", LIGHT[::2, ::2, 2], 2), ("G", LIGHT[..., 1], 1), ("R", LIGHT[::2, ::2, 0], 2)])
    with pytest.raises(UnreadableInput, match=r"[Ss]ubsampl"):
        read_still(path)


# --- takes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["turn", "curve"])
def test_a_still_that_is_meant_otherwise_than_the_first_is_named(tmp_path, what):
    for number in (1, 2, 3):
        exif = Image.Exif()
        exif[0x0112] = 3 if what == "turn" and number == 2 else 1
        Image.fromarray(BYTES).save(tmp_path / f"a.{number:04d}.png", exif=exif)
    odd = tmp_path / "a.0002.png"
    if what == "curve":  # W3C PNG, third edition, 11.3.2.6: code points 9, 16 (PQ), 0, full range
        chunk = b"cICP" + bytes([9, 16, 0, 1])
        data = odd.read_bytes()
        odd.write_bytes(data[:33] + struct.pack(">I", 4) + chunk + struct.pack(">I", zlib.crc32(chunk)) + data[33:])
    reader = StillsReader(tmp_path)
    reader.read(1)
    with pytest.raises(MismatchedInput, match=rf"a\.0002\.png: its {what} .*the take began with"):
        reader.read(2)
