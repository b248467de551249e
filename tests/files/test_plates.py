"""EXR and PNG written by one library are read back by another."""

from __future__ import annotations

import hashlib
import resource
import struct
import time
from fractions import Fraction

import imageio.v3 as iio
import numpy as np
import OpenEXR
import OpenImageIO as oiio
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from lightstack.core.colour.light import PRIMARIES
from lightstack.errors import MissingInput, OutputError, UnreadableInput
from lightstack.files.write.plates import (
    TIMECODE,
    PartHeader,
    read_exr,
    read_exr_headers,
    read_light,
    read_png,
    write_exr,
    write_exr_parts,
    write_png,
)


@pytest.fixture
def light():
    rng = np.random.default_rng(5)
    values = (rng.normal(size=(19, 31, 3)) * 3).astype(np.float32)
    values[0, 0] = [-0.25, 65504.0, 6e-8]  # negatives, the largest half, the smallest half
    return values


def test_openexr_reads_what_we_wrote(tmp_path, light):
    # REFERENCE  OpenEXR's own Python module. TOLERANCE  bit-exact against numpy's rounding to binary16.
    path = tmp_path / "plate.exr"
    write_exr(path, light, primaries="ap1", attributes={"shot": "attic", "frame": 1001, "gain": 0.5})
    file = OpenEXR.File(str(path), separate_channels=True)
    for index, name in enumerate("RGB"):
        pixels = file.channels()[name].pixels
        assert pixels.dtype == np.float16
        assert_array_equal(pixels, light[..., index].astype(np.float16))
    header = file.header()
    assert_allclose(header["chromaticities"], PRIMARIES["ap1"].chromaticities, atol=1e-7)
    assert (header["shot"], header["frame"], header["gain"]) == ("attic", 1001, 0.5)
    assert header["type"] == OpenEXR.scanlineimage
    assert not {"capDate", "Software", "owner"} & set(header)


def test_rate_and_timecode_are_the_standard_attributes(tmp_path, light):
    # REFERENCE  OpenEXR's own Python module, standard attributes framesPerSecond and timeCode (SMPTE ST 12-1).
    path = tmp_path / "plate.exr"
    for timecode, drops in (("23:59:58:29", 0), ("01:02:03;04", 1)):
        write_exr(
            path, light, primaries="bt709", attributes={"framesPerSecond": Fraction(30000, 1001), TIMECODE: timecode}
        )
        header = OpenEXR.File(str(path)).header()
        found = header["timeCode"]
        fields = [int(field) for field in timecode.replace(";", ":").split(":")]
        assert [found.hours, found.minutes, found.seconds, found.frame, found.dropFrame] == [*fields, drops]
        assert header["framesPerSecond"] == Fraction(30000, 1001)


@pytest.mark.parametrize("compression", ["none", "zip", "zips", "piz", "rle"])
def test_openimageio_reads_what_we_wrote(tmp_path, light, compression):
    # REFERENCE  OpenImageIO's reader. TOLERANCE  bit-exact: every compression offered is lossless.
    path = tmp_path / "plate.exr"
    write_exr(path, light, primaries="bt709", half=False, compression=compression)
    source = oiio.ImageInput.open(str(path))
    assert_array_equal(source.read_image("float"), light)
    assert source.spec().getattribute("compression") == compression
    source.close()


def test_named_channels_and_our_own_reader(tmp_path, light):
    path = tmp_path / "layers.exr"
    write_exr(path, {"amber.R": light[..., 0], "depth": light[..., 1]}, primaries="bt709", half=False)
    channels = read_exr(path)
    assert set(channels) == {"amber.R", "depth"}
    assert_array_equal(channels["depth"], light[..., 1])
    assert set(OpenEXR.File(str(path), separate_channels=True).channels()) == {"amber.R", "depth"}
    (part,) = read_exr_headers(path)
    assert (part.width, part.height, part.kind, part.primaries) == (31, 19, "float", "bt709")


def test_light_beyond_half_floats_is_kept_in_whole_floats(tmp_path, light):
    light[3, 4, 1] = 1e6
    path = tmp_path / "sun.exr"
    write_exr(path, light, primaries="bt709")
    assert_array_equal(read_exr(path)["G"], light[..., 1])
    assert read_exr_headers(path)[0].kind == "float"


def parts_of(light):
    headers = [
        PartHeader("still_0034", ("R", "G", "B", "A"), compression="none", attributes={"source_frame": 34}),
        PartHeader("reach", ("Y",)),
        PartHeader("winner", ("Y",), kind="uint"),
    ]
    pictures = [
        np.dstack([light, np.linspace(0, 1, light[..., 0].size).reshape(light.shape[:2])]),
        np.abs(light[..., 0]) > 1,
        np.arange(light[..., 0].size).reshape(light.shape[:2]),
    ]
    return headers, pictures


def test_parts_are_declared_first_and_written_one_at_a_time(tmp_path, light):
    path = tmp_path / "light_stack.exr"
    headers, pictures = parts_of(light)
    alive = []

    def one_at_a_time():
        for index, picture in enumerate(pictures):
            alive.append(index)
            yield picture.astype(np.float32) if picture.dtype == bool else picture

    write_exr_parts(path, headers, one_at_a_time(), size=light.shape[:2], primaries="bt2020")
    assert alive == [0, 1, 2]
    # REFERENCE  OpenEXR's own Python module. TOLERANCE  bit-exact; RGB is not multiplied by A.
    parts = OpenEXR.File(str(path), separate_channels=True).parts
    assert [part.name() for part in parts] == ["still_0034", "reach", "winner"]
    assert_array_equal(parts[0].channels["R"].pixels, light[..., 0].astype(np.float16))
    assert_array_equal(parts[0].channels["A"].pixels, pictures[0][..., 3].astype(np.float16))
    assert_array_equal(parts[1].channels["Y"].pixels, pictures[1])
    assert parts[2].channels["Y"].pixels.dtype == np.uint32
    assert_array_equal(parts[2].channels["Y"].pixels, pictures[2])
    assert parts[0].header["source_frame"] == 34
    for part in parts:
        assert_allclose(part.header["chromaticities"], PRIMARIES["bt2020"].chromaticities, atol=1e-7)
    assert_array_equal(read_exr(path, "winner")["Y"], pictures[2])
    assert [part.name for part in read_exr_headers(path)] == ["still_0034", "reach", "winner"]


def test_same_light_gives_the_same_bytes(tmp_path, light):
    def digests():
        headers, pictures = parts_of(light)
        write_exr(tmp_path / "a.exr", light, primaries="bt709")
        write_exr_parts(
            tmp_path / "b.exr",
            headers,
            [p.astype(np.float32) for p in pictures],
            size=light.shape[:2],
            primaries="bt709",
        )
        write_png(tmp_path / "c.png", (np.abs(light) * 20).clip(0, 255).astype(np.uint8))
        return [
            hashlib.sha256((tmp_path / name).read_bytes()).digest() for name in ("a.exr", "b.exr", "c.png")
        ]

    first = digests()
    time.sleep(1.1)  # a date in a header has whole seconds
    assert digests() == first


def test_a_failing_picture_leaves_nothing_behind(tmp_path, light):
    headers, pictures = parts_of(light)
    path = tmp_path / "light_stack.exr"
    path.write_bytes(b"an older result")

    def breaks():
        yield pictures[0]
        raise RuntimeError("no more light")

    with pytest.raises(RuntimeError, match="no more light"):
        write_exr_parts(path, headers, breaks(), size=light.shape[:2], primaries="bt709")
    assert path.read_bytes() == b"an older result"
    assert [file.name for file in tmp_path.iterdir()] == ["light_stack.exr"]


def test_parts_that_do_not_fit_are_named(tmp_path, light):
    headers, _ = parts_of(light)
    path = tmp_path / "x.exr"
    size = light.shape[:2]
    with pytest.raises(OutputError, match=r"part still_0034 holds 1e\+06, half floats end at 65504"):
        write_exr_parts(path, headers[:1], [np.full((*size, 4), 1e6)], size=size, primaries="bt709")
    with pytest.raises(ValueError, match="declared"):
        write_exr_parts(path, headers[:1], [light], size=size, primaries="bt709")
    with pytest.raises(ValueError, match="shorter"):
        write_exr_parts(path, headers, [np.zeros((*size, 4))], size=size, primaries="bt709")
    with pytest.raises(ValueError, match="lossy"):
        write_exr(path, light, primaries="bt709", compression="lossy")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("write", ["exr", "png"])
def test_a_full_disk_is_one_line(tmp_path, write):
    # A limit on the size of a file stands in for a full disk: the kernel refuses the write the same way.
    noise = np.random.default_rng(0).random((300, 300, 3)).astype(np.float32)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, hard))
    try:
        with pytest.raises(OutputError, match="free space or name another folder") as caught:
            if write == "exr":
                write_exr(tmp_path / "plate.exr", noise, primaries="bt709")
            else:
                write_png(tmp_path / "plate.png", (noise * 255).astype(np.uint8))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "\n" not in str(caught.value) and "plate." in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_an_absent_folder_is_one_line(tmp_path, light):
    with pytest.raises(
        OutputError, match=r"nowhere/plate.exr: cannot be written \(No such file or directory\)"
    ):
        write_exr(tmp_path / "nowhere" / "plate.exr", light, primaries="bt709")


def test_png_comes_back_and_says_srgb(tmp_path):
    codes = np.random.default_rng(2).integers(0, 256, (13, 17, 3), dtype=np.uint8)
    path = tmp_path / "plate.png"
    write_png(path, codes)
    # REFERENCE  imageio (Pillow) and OpenImageIO. TOLERANCE  bit-exact.
    assert_array_equal(iio.imread(path), codes)
    assert_array_equal(read_png(path), codes)
    # REFERENCE  ISO/IEC 15948 section 5.3: chunks are length, name, content, checksum. TOLERANCE  exact.
    data, names, place = path.read_bytes(), [], 8
    while place < len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        names.append(data[place + 4 : place + 8])
        place += length + 12
    assert names[:2] == [b"IHDR", b"sRGB"] and set(names[2:]) == {b"IDAT", b"IEND"}


def test_grey_and_tiny_png(tmp_path):
    grey = np.array([[7]], np.uint8)
    write_png(tmp_path / "one.png", grey)
    assert_array_equal(iio.imread(tmp_path / "one.png"), grey)
    with pytest.raises(ValueError, match="uint8"):
        write_png(tmp_path / "one.png", grey.astype(np.uint16))


def test_unreadable_files_are_one_line(tmp_path):
    with pytest.raises(MissingInput, match="nothing is there"):
        read_exr(tmp_path / "none.exr")
    (tmp_path / "junk.exr").write_bytes(b"junk" * 10)
    with pytest.raises(UnreadableInput, match=r"junk\.exr"):
        read_exr_headers(tmp_path / "junk.exr")
    write_exr(tmp_path / "one.exr", np.zeros((1, 1, 3), np.float32), primaries="bt709")
    with pytest.raises(UnreadableInput, match="has no part 'reach'"):
        read_exr(tmp_path / "one.exr", "reach")
    with pytest.raises(UnreadableInput, match="has no part 3"):
        read_exr(tmp_path / "one.exr", 3)


@pytest.mark.parametrize(("bad", "says"), [(1, "1 pixel is NaN"), (3, "3 pixels are NaN")])
def test_light_that_is_no_number_is_refused_with_its_count(tmp_path, bad, says):
    light = np.full((8, 9, 3), 0.5, np.float32)
    write_exr(tmp_path / "good.exr", light, primaries="bt709")
    assert_array_equal(read_light(tmp_path / "good.exr"), light)
    light[2, :bad, 1] = [np.nan, np.inf, -np.inf][:bad]
    write_exr(tmp_path / "bad.exr", light, primaries="bt709")
    with pytest.raises(UnreadableInput, match=f"bad.exr: {says}") as caught:
        read_light(tmp_path / "bad.exr")
    assert "\n" not in str(caught.value)
