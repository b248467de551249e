"""Writing movies: whole or not at all, tagged, the same bytes every time."""

import resource
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from clips import moving_pictures
from core_helpers import make_encoding

from lightstack.core.colour.encode import encode_planes
from lightstack.errors import OutputError, SettingError
from lightstack.files.read.takes import open_take
from lightstack.files.write.movie_writer import MovieWriter

RATE = Fraction(24000, 1001)


def write_movie(path, pictures, encoding, **more):
    height, width = pictures[0][0].shape[:2]
    with MovieWriter(path, width=width, height=height, rate=RATE, encoding=encoding, **more) as movie:
        for planes in pictures:
            movie.write(planes)
    return path


@pytest.mark.parametrize(
    "codec, suffix, changes",
    [
        ("h264", ".mp4", {"bit_depth": 8}),
        ("h264", ".mov", {"chroma": "422", "matrix": "bt2020", "primaries": "bt2020", "transfer": "hlg"}),
        (
            "h264",
            ".mkv",
            {"bit_depth": 8, "matrix": "bt601", "primaries": "bt601_525", "chroma_location": "topleft"},
        ),
        ("hevc", ".mp4", {"chroma_location": "center"}),
        ("prores", ".mov", {"chroma": "422"}),
        ("ffv1", ".mkv", {"chroma": "444", "range": "full", "transfer": "srgb"}),
        ("mjpeg", ".mov", {"bit_depth": 8, "range": "full", "matrix": "bt601", "chroma_location": "center"}),
    ],
)
def test_tags_come_back(tmp_path, codec, suffix, changes):
    encoding = make_encoding(**changes)
    deep = np.uint16 if encoding.bit_depth > 8 else np.uint8
    size = (64, 64)
    pictures = moving_pictures(4, size, deep, encoding.chroma)
    extra = {"pixel_aspect": Fraction(4, 3), "rotation": 90} if suffix == ".mov" else {}
    path = write_movie(tmp_path / f"out{suffix}", pictures, encoding, codec=codec, **extra)
    with open_take(path) as take:
        info = take.info
        read = info.encoding
        assert len(list(take.frames())) == 4
    assert (read.matrix, read.range, read.transfer) == (encoding.matrix, encoding.range, encoding.transfer)
    assert read.chroma == encoding.chroma
    if codec != "mjpeg":
        assert (read.primaries, read.chroma_location) == (encoding.primaries, encoding.chroma_location)
        assert read.assumed == ()
    assert info.rate == RATE
    if extra:
        assert (info.rotation, info.pixel_aspect) == (90, Fraction(3, 4))


@pytest.mark.parametrize("kind", ["yuv", "rgb planes", "rgb packed", "grey"])
def test_ffv1_is_lossless(tmp_path, kind):
    rng = np.random.default_rng(6)
    if kind == "yuv":
        encoding, planes = make_encoding(), moving_pictures(1, (17, 35), np.uint16)[0]
    elif kind == "grey":
        encoding = make_encoding(chroma="grey", range="full")
        planes = (rng.integers(0, 1024, (17, 35)).astype(np.uint16),)
    else:
        encoding = make_encoding(
            matrix="rgb", chroma="444", range="full", bit_depth=8 if "packed" in kind else 10
        )
        planes = tuple(rng.integers(0, 256, (17, 35)).astype(np.uint16) for _ in range(3))
        if kind == "rgb packed":
            planes = (np.stack(planes, axis=-1).astype(np.uint8),)
    path = write_movie(tmp_path / "out.mkv", [planes], encoding, codec="ffv1")
    with open_take(path) as take:
        (frame,) = take.frames()
    for ours, own in zip(frame.planes, planes, strict=True):
        np.testing.assert_array_equal(ours, own)


def test_a_hero_written_unchanged_keeps_its_codes(tmp_path):
    encoding = make_encoding(chroma="422")
    source = write_movie(
        tmp_path / "hero.mkv", moving_pictures(3, (18, 30), np.uint16, "422"), encoding, codec="ffv1"
    )
    with open_take(source) as take:
        hero = [(frame, take.linear(frame)) for frame in take.frames()]
        coded = [encode_planes(light, take.info.encoding, like=frame).planes for frame, light in hero]
    again = write_movie(tmp_path / "again.mkv", coded, encoding, codec="ffv1")
    assert again.read_bytes() == source.read_bytes()


@pytest.mark.parametrize("codec, suffix", [("h264", ".mp4"), ("ffv1", ".mkv"), ("prores", ".mov")])
def test_the_same_bytes_every_time(tmp_path, codec, suffix):
    encoding = make_encoding(chroma="422")
    pictures = moving_pictures(12, (64, 96), np.uint16, "422")
    one, two = (write_movie(tmp_path / f"{n}{suffix}", pictures, encoding, codec=codec) for n in "ab")
    assert one.read_bytes() == two.read_bytes()
    assert b"creation_time" not in one.read_bytes()


def test_the_same_bytes_at_any_width_and_several_at_once(tmp_path):
    # an encoder that reads beyond the picture's edge finds there whatever the others have left in memory
    encoding, rng = make_encoding(bit_depth=8), np.random.default_rng(1)
    hills = cv2.resize(rng.integers(20, 230, (12, 16)).astype(np.float32), (248, 112), interpolation=cv2.INTER_CUBIC)
    pictures = []
    for k in range(24):  # something soft that moves and pulses under noise
        seen = hills[:, 2 * k : 2 * k + 200] * (0.4 + 0.6 * abs(np.sin(k / 4))) + rng.normal(0, 2, (112, 200))
        luma = np.clip(seen, 16, 235).astype(np.uint8)
        pictures.append((luma, np.full((56, 100), 120, np.uint8), cv2.resize(luma, (100, 56))))

    def make(k):
        return write_movie(tmp_path / f"{k}.mp4", pictures, encoding, codec="h264", crf=18).read_bytes()

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(make, range(8)))) == 1


def test_a_timecode_is_kept(tmp_path):
    path = write_movie(
        tmp_path / "out.mov", moving_pictures(3), make_encoding(bit_depth=8), timecode="10:00:00:05"
    )
    with open_take(path) as take:
        assert take.info.timecode == "10:00:00:05"


def test_nothing_is_left_after_an_error(tmp_path):
    path = tmp_path / "out.mp4"
    path.write_bytes(b"an older version")
    encoding = make_encoding(bit_depth=8)
    with (
        pytest.raises(ZeroDivisionError),
        MovieWriter(path, width=64, height=48, rate=RATE, encoding=encoding) as movie,
    ):
        movie.write(moving_pictures(1)[0])
        assert path.read_bytes() == b"an older version"
        raise ZeroDivisionError
    assert [file.name for file in tmp_path.iterdir()] == ["out.mp4"]
    assert path.read_bytes() == b"an older version"


def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path):
    noise = np.random.default_rng(7).integers(0, 256, (144, 256)).astype(np.uint8)
    low = np.full((72, 128), 128, np.uint8)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(
        resource.RLIMIT_FSIZE, (60_000, hard)
    )  # a file may not grow beyond this, as on a full disk
    try:
        with pytest.raises(OutputError, match=r"out\.mkv.*cannot be written"):
            write_movie(
                tmp_path / "out.mkv", [(noise, low, low)] * 12, make_encoding(bit_depth=8), codec="ffv1"
            )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_held_is_refused(tmp_path):
    encoding = make_encoding(bit_depth=12)
    with pytest.raises(SettingError, match="ffv1 holds nearly all"):
        MovieWriter(tmp_path / "a.mp4", width=64, height=48, rate=RATE, encoding=encoding)
    with pytest.raises(SettingError, match="expected h264"):
        MovieWriter(tmp_path / "a.mp4", width=64, height=48, rate=RATE, encoding=encoding, codec="cinepak")
    with pytest.raises(SettingError, match=r"\.wmv is not written"):
        MovieWriter(tmp_path / "a.wmv", width=64, height=48, rate=RATE, encoding=make_encoding(bit_depth=8))
    with pytest.raises(OutputError, match="cannot be written"):
        write_movie(tmp_path / "gone" / "a.mp4", moving_pictures(1), make_encoding(bit_depth=8))
    with (
        pytest.raises(SettingError, match="do not fit"),
        MovieWriter(
            tmp_path / "a.mp4", width=32, height=48, rate=RATE, encoding=make_encoding(bit_depth=8)
        ) as movie,
    ):
        movie.write(moving_pictures(1)[0])
    assert list(tmp_path.iterdir()) == []


def test_other_software_reads_the_frames_too(tmp_path):
    # REFERENCE  PyAV's own decoder hands back the planes; no colour is converted.
    pictures = moving_pictures(3, (48, 64), np.uint8, "444")
    path = write_movie(tmp_path / "out.mkv", pictures, make_encoding(chroma="444", bit_depth=8), codec="ffv1")
    with av.open(str(path)) as container:
        frames = [frame.to_ndarray() for frame in container.decode(video=0)]
    for frame, planes in zip(frames, pictures, strict=True):
        np.testing.assert_array_equal(frame, np.stack(planes))
