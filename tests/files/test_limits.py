"""What a file claims to hold is judged before room is made for it: absurd headers, bombs, and where the limits lie."""

import os
import struct
import subprocess
import sys
import zlib
from fractions import Fraction
from zipfile import ZIP_DEFLATED, ZipFile

import pytest
from clips import moving_pictures, write_clip

from lightstack.errors import LightstackError, UnreadableInput
from lightstack.files.exr_look import look_over_exr
from lightstack.files.handover.usd import count_lights
from lightstack.files.kept.grain_profiles import read_grain
from lightstack.files.kept.keep import recall_record
from lightstack.files.kept.packed import read_packed
from lightstack.files.limits import LIMITS, find_limit
from lightstack.files.read.masks import read_mask
from lightstack.files.read.sequences import find_stills
from lightstack.files.read.sound import read_sound_power
from lightstack.files.read.stills import read_still
from lightstack.files.read.takes import open_take
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.tables import read_mix, timecode_at
from lightstack.records import MixCurve

RGB = (b"B", b"G", b"R")


def attribute(name, kind, data, size=None):
    return name + b"\0" + kind + b"\0" + struct.pack("<i", len(data) if size is None else size) + data


def exr(window=(0, 0, 63, 47), shown=(0, 0, 63, 47), channels=RGB, tiles=None, more=b"", kind=0):
    # REFERENCE  OpenEXR File Layout, version 3: magic 20000630, version 2, bit 9 tiles, bit 12 many parts; attributes
    listed = b"".join(name + b"\0" + struct.pack("<iB3xii", 1, 0, 1, 1) for name in channels) + b"\0"
    return b"".join((
        struct.pack("<II", 20000630, 2 | kind | (0x200 if tiles else 0)),
        attribute(b"channels", b"chlist", listed),
        attribute(b"compression", b"compression", b"\3"),
        attribute(b"dataWindow", b"box2i", struct.pack("<4i", *window)),
        attribute(b"displayWindow", b"box2i", struct.pack("<4i", *shown)),
        attribute(b"lineOrder", b"lineOrder", b"\0"),
        attribute(b"pixelAspectRatio", b"float", struct.pack("<f", 1)),
        attribute(b"screenWindowCenter", b"v2f", bytes(8)),
        attribute(b"screenWindowWidth", b"float", struct.pack("<f", 1)),
        attribute(b"tiles", b"tiledesc", struct.pack("<IIB", *tiles, 0)) if tiles else b"",
        more, b"\0", bytes(1500),
    ))  # fmt: skip


HUGE = (0, 0, 99_999, 99_999)
FAR = 2**30 + 1
EXRS = {  # what is absurd -> file, words of the line
    "large": (exr(HUGE, HUGE), "100000 x 100000 pixels, the limit is 65500 pixels a side; .* LIGHTSTACK_PICTURE_SIDE"),
    "shown large": (exr(shown=HUGE), "100000 x 100000 pixels"),
    "many pixels": (exr((0, 0, 30_000, 30_000)), "30001 x 30001 .*is 134217728 .*LIGHTSTACK_PICTURE_PIXELS"),
    "turned over": (exr((10, 10, -5, -5)), r"window from \(10, 10\) to \(-5, -5\)"),
    "overflowing": (exr((-(2**31), -(2**31), 2**31 - 1, 2**31 - 1)), "claims a window"),
    "far away": (exr((FAR, FAR, FAR + 63, FAR + 47)), "claims a window"),
    "channels": (exr(channels=[b"c%d" % k for k in range(10_000)]), "513 channels, the limit is 512"),
    "large tiles": (exr((0, 0, 8_000, 8_000), tiles=(60_000, 60_000)), "tiles of 60000 x 60000"),
    "small tiles": (exr((0, 0, 8_000, 8_000), tiles=(1, 1)), "table of its 64016001 pieces"),
    "attribute": (exr(more=attribute(b"x", b"string", b"abc", 2**31 - 1)), "claims 2147483647 bytes"),
    "attribute below nothing": (exr(more=attribute(b"x", b"string", b"abc", -7)), "claims -7 bytes"),
    "parts": (exr(kind=0x1000)[:-1500] + 3000 * exr()[8:-1500] + bytes(99), "2049 parts"),
}


@pytest.mark.parametrize("what", EXRS)
def test_an_absurd_exr_is_refused_before_a_library_opens_it(tmp_path, what):
    data, said = EXRS[what]
    path = tmp_path / "a.exr"
    path.write_bytes(data)
    for read in (look_over_exr, read_still, lambda path: read_mask(path, (48, 64))):
        with pytest.raises(UnreadableInput, match=said) as caught:
            read(path)
        assert "\n" not in str(caught.value)


def test_a_cut_header_is_refused(tmp_path):
    whole = exr()
    for length in range(4, len(whole) - 1500, 7):
        (tmp_path / "a.exr").write_bytes(whole[:length])
        with pytest.raises(UnreadableInput):
            look_over_exr(tmp_path / "a.exr")


def png(width, height, data, *, depth=8, colour=0):
    # REFERENCE  W3C PNG, third edition, 5.3 and 11.2.1: length, type, data, CRC; IHDR
    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", data), (b"IEND", b""))
    body = b"".join(struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks)
    return b"\x89PNG\r\n\x1a\n" + body


def tiff(width, height):
    # REFERENCE  TIFF 6.0, section 2: header, one directory of 12-byte entries (tag, type, count, value)
    values = ((256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 150), (277, 3, 1))
    values += ((278, 4, height), (279, 4, 64))
    entries = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in values)
    return b"II*\0" + struct.pack("<IH", 8, len(values)) + entries + bytes(100)


@pytest.mark.parametrize(
    ("name", "data"),
    [("a.png", png(100_000, 100_000, zlib.compress(bytes(99)))), ("a.tif", tiff(100_000, 100_000))],
    ids=["png", "tiff"],
)
def test_other_pictures_are_judged_by_their_headers(tmp_path, name, data):
    (tmp_path / name).write_bytes(data)
    said = "100000 x 100000 pixels, the limit is 65500|header claims a 9536 MB image"  # the library's own, on some
    with pytest.raises(UnreadableInput, match=said):
        read_still(tmp_path / name)


def test_a_movie_that_claims_two_thousand_million_frames(tmp_path):
    path = write_clip(tmp_path / "a.avi", moving_pictures(4), codec="ffv1")
    data = bytearray(path.read_bytes())
    for mark, place in ((b"avih", 24), (b"strh", 40)):  # REFERENCE  RIFF AVI: total frames, length of the stream
        at = data.find(mark) + place
        data[at : at + 4] = struct.pack("<I", 2**31 - 1)
    path.write_bytes(data)
    with pytest.raises(UnreadableInput, match="2147483647 frames in one movie, the limit is 8000000"):
        open_take(path)


def test_a_movie_whose_codec_nobody_knows(tmp_path):
    path = write_clip(tmp_path / "a.mov", moving_pictures(2), codec="libx264")
    path.write_bytes(path.read_bytes().replace(b"avc1", b"zzzz").replace(b"avcC", b"zzzC"))
    with pytest.raises(UnreadableInput, match="no decoder"):
        open_take(path)


def wav(rate, channels, count):
    body = bytes(2 * channels * count)
    form = struct.pack("<HHIIHH", 1, channels, rate, 2 * rate * channels, 2 * channels, 16)
    return b"RIFF" + b"\xff" * 4 + b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + b"\xff" * 4 + body


def test_sound_that_claims_more_than_it_holds_is_read_as_far_as_it_goes(tmp_path):
    (tmp_path / "a.wav").write_bytes(wav(48_000, 2, 4800))
    assert read_sound_power(tmp_path / "a.wav", Fraction(25)).counts.sum() == 4800


def test_sound_of_days_is_refused(tmp_path, monkeypatch):
    monkeypatch.setenv("LIGHTSTACK_SOUND_SECONDS", "100")
    (tmp_path / "a.wav").write_bytes(wav(1, 1, 200))  # one sample a second
    with pytest.raises(UnreadableInput, match="101 seconds of sound, the limit is 100"):
        read_sound_power(tmp_path / "a.wav", Fraction(25))


def pack_zeros(count):
    packer = zlib.compressobj(9)
    return b"".join([*(packer.compress(bytes(1 << 20)) for _ in range(count >> 20)), packer.flush()])


def npy(shape):
    head = repr({"descr": "<f8", "fortran_order": False, "shape": shape}).encode().ljust(117) + b"\n"
    return b"\x93NUMPY\x01\0" + struct.pack("<H", len(head)) + head


def test_packed_frames_and_kept_records(tmp_path, monkeypatch):
    monkeypatch.setenv("LIGHTSTACK_PACKED_BYTES", str(1 << 20))
    for data in (pack_zeros(1 << 23), zlib.compress(npy((10**13,)))):
        (tmp_path / "a").write_bytes(data)
        with pytest.raises(UnreadableInput):
            read_packed(tmp_path / "a", 0, len(data))
    with ZipFile(tmp_path / "a.npz", "w", ZIP_DEFLATED) as out:
        out.writestr("tree.npy", npy((10**13,)) + bytes(1 << 20))
    with pytest.raises(ValueError, match="not a kept record"):
        recall_record(tmp_path / "a.npz", MixCurve)


@pytest.mark.parametrize(
    ("name", "read", "limit"),
    [
        ("shot.toml", read_shot, "SHOT_BYTES"),
        ("mix.csv", read_mix, "TABLE_BYTES"),
        ("grain.json", read_grain, "MEASURED_BYTES"),
        ("lights.usda", count_lights, "SCENE_BYTES"),
    ],
)
def test_text_files_that_are_too_large(tmp_path, name, read, limit):
    with (tmp_path / name).open("wb") as stream:
        stream.truncate(find_limit(limit) + 1)  # a hole: takes no room on the disk
    with pytest.raises(UnreadableInput, match=f"the limit is {find_limit(limit)} .*LIGHTSTACK_{limit}"):
        read(tmp_path / name)


@pytest.mark.parametrize(
    ("name", "read", "text"),
    [
        ("shot.toml", read_shot, "a = " + "[" * 100_000),
        ("shot.toml", read_shot, "[shot]\n" + "a." * 100_000 + "a = 1\n"),
        ("grain.json", read_grain, "[" * 100_000 + "]" * 100_000),
        ("mix.csv", read_mix, "frame,gain\n1001," + "1" * 1_000_000),
        ("mix.csv", read_mix, "frame,gain\n9999999999999,1"),
        ("mix.csv", read_mix, "frame,gain\n1001,inf"),
    ],
    ids=["brackets", "dots", "json", "long cell", "frame", "infinite"],
)
def test_text_that_is_absurd(tmp_path, name, read, text):
    (tmp_path / name).write_text(text)
    with pytest.raises(LightstackError) as caught:
        read(tmp_path / name)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("opening", ['def "a" {', "(", "["])
def test_a_scene_that_nests_without_end(tmp_path, opening):
    (tmp_path / "a.usda").write_text("#usda 1.0\n" + opening * 100_000)
    with pytest.raises(OSError, match="cannot be read back"):
        count_lights(tmp_path / "a.usda")


def test_a_scene_is_counted_without_opening_what_it_names(tmp_path):
    (tmp_path / "other.usda").write_text('#usda 1.0\ndef SphereLight "a" {}\n')
    (tmp_path / "a.usda").write_text('#usda 1.0\ndef SphereLight "b" {}\ndef "c" (references = @other.usda@</a>) {}\n')
    assert count_lights(tmp_path / "a.usda") == 1


def test_a_folder_of_too_many_files_and_a_number_beyond_any_frame(tmp_path, monkeypatch):
    for number in range(1, 5):
        (tmp_path / f"a.{number}.png").touch()
    assert len(find_stills(tmp_path)) == 4
    monkeypatch.setenv("LIGHTSTACK_FOLDER_FILES", "3")
    with pytest.raises(UnreadableInput, match="4 files in one folder, the limit is 3"):
        find_stills(tmp_path)
    monkeypatch.delenv("LIGHTSTACK_FOLDER_FILES")
    (tmp_path / "a.99999999999.png").touch()
    with pytest.raises(UnreadableInput, match="limit is 2147483647"):
        find_stills(tmp_path / "a.#.png", allow_gaps=True)


@pytest.mark.parametrize("start", ["banana", "1:2", "01:00:00:00:00", "", "-1:00:00:00", "\u0661\u0662:00:00:00"])
def test_timecode_that_is_none(start):
    assert timecode_at(start, 3, Fraction(24)) is None
    assert timecode_at("01:00:00:00", 3, Fraction(1, 7)) is None  # no whole number of frames a second


def test_a_limit_is_raised_by_its_variable(tmp_path, monkeypatch):
    (tmp_path / "a.exr").write_bytes(exr(channels=[*RGB, *(b"c%d" % k for k in range(600))]))
    with pytest.raises(UnreadableInput, match="LIGHTSTACK_PICTURE_CHANNELS"):
        look_over_exr(tmp_path / "a.exr")
    monkeypatch.setenv("LIGHTSTACK_PICTURE_CHANNELS", "700")
    look_over_exr(tmp_path / "a.exr")
    for nonsense in ("", "many", "-3", "0"):
        monkeypatch.setenv("LIGHTSTACK_PICTURE_CHANNELS", nonsense)
        assert find_limit("PICTURE_CHANNELS") == LIMITS["PICTURE_CHANNELS"].most


def test_every_limit_has_its_reason():
    assert all(limit.most > 0 and limit.what and limit.reason for limit in LIMITS.values())


CHILD = """
import resource, sys
from pathlib import Path
import numpy as np, OpenImageIO
from lightstack.errors import LightstackError
from lightstack.files.kept.packed import read_packed
from lightstack.files.read.stills import read_still
from lightstack.files.read.movies import MovieReader
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for read in (read_still, read_still, lambda p: read_packed(p, 0, 1 << 30)):
    try:
        read(Path(sys.argv.pop(1)))
    except LightstackError as error:
        print(error)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="counts kB there")
def test_refusing_takes_no_memory_by_what_is_claimed(tmp_path):
    # 20 GB of pixels in 2 kB, 10 GB in 200 bytes, and 256 MB of zeros in 260 kB of which a frame may hold 1 MB
    files = {"a.exr": exr(HUGE, HUGE), "a.png": png(*[60_000] * 2, bytes(99), depth=16, colour=2)}
    files["a.packed"] = pack_zeros(1 << 28)
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    command = [sys.executable, "-c", CHILD, *(str(tmp_path / name) for name in files)]
    words = {**os.environ, "LIGHTSTACK_PACKED_BYTES": str(1 << 20), "OPENBLAS_NUM_THREADS": "1"}
    *lines, grown = subprocess.run(command, capture_output=True, text=True, check=True, env=words).stdout.splitlines()
    assert [name in line for name, line in zip(files, lines, strict=True)] == [True] * 3
    assert int(grown) < 40 << 10  # kB
