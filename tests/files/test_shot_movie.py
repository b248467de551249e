"""The finished shot as a movie: the hero's own planes, clock, tags and nothing of his privacy."""

import json
import resource
import shutil
import subprocess
from fractions import Fraction

import av
import numpy as np
import pytest
from clips import TAGS_709, moving_pictures, write_clip
from core_helpers import make_encoding
from sounding import write_hero

from lightstack.core.colour.encode import encode_planes
from lightstack.errors import MismatchedInput, OutputError, SettingError
from lightstack.files.read.movie_facts import probe_movie
from lightstack.files.read.takes import open_take
from lightstack.files.write.movie_writer import MovieWriter
from lightstack.files.write.plates import write_exr, write_png
from lightstack.files.write.shot_movie import begin_shot_movie

RATE = Fraction(24000, 1001)
NTSC = Fraction(30000, 1001)


def copy_range(folder, hero, first, last, *, codec="auto", name="out", **more):
    """Write a range of a hero with no light on it."""
    with (
        open_take(hero) as take,
        begin_shot_movie(folder / name, take, first=first, last=last, codec=codec, **more) as movie,
    ):
        unlit = np.zeros((take.info.height, take.info.width), bool)
        for frame in take.frames(first, last):
            movie.write(take.code(frame, take.linear(frame), changed=unlit).planes)
    return movie


def noisy(count, size, pixel_format, seed=0):
    rng = np.random.default_rng(seed)
    parts = av.VideoFormat(pixel_format, size[1], size[0]).components
    step = 2 ** (parts[0].bits - 8)
    dtype = np.uint8 if step == 1 else np.uint16
    sizes = [(part.height, part.width) for part in parts]
    return [tuple(rng.integers(30 * step, 220 * step, size).astype(dtype) for size in sizes) for _ in range(count)]


@pytest.mark.parametrize(
    "pixel_format, wide_format, times",
    [
        ("yuv420p", "yuv420p10le", 4),
        ("yuv420p10le", "yuv420p10le", 1),
        ("yuv422p10le", "yuv422p10le", 1),
        ("yuv444p12le", "yuv444p12le", 1),
        ("gbrp10le", "gbrp10le", 1),
        ("yuv422p", "yuv422p10le", 4),
        ("gray", "gray", 1),
    ],
)
def test_where_no_light_falls_the_own_planes_come_back(tmp_path, pixel_format, wide_format, times):
    # REFERENCE  PyAV's own decoder: the planes of the hero, at its depth and sampling (8 bits limited range: times 4).
    # TOLERANCE  exact, every sample.
    pictures = noisy(3, (18, 34), pixel_format)
    tags = {"color_range": 2 if pixel_format[0] == "g" else 1}
    hero = write_clip(tmp_path / "hero.mkv", pictures, codec="ffv1", pixel_format=pixel_format, tags=tags)
    movie = copy_range(tmp_path, hero, 2, 3, codec="ffv1")
    with av.open(str(movie.path)) as container:
        frames = list(container.decode(video=0))
    assert [frame.format.name for frame in frames] == [wide_format] * 2
    for frame, own in zip(frames, pictures[1:], strict=True):
        for plane, values in zip(frame.planes, own, strict=True):
            lines = np.frombuffer(plane, np.uint8 if wide_format == "gray" else np.uint16).reshape(values.shape[0], -1)
            np.testing.assert_array_equal(lines[:, : values.shape[1]], values.astype(int) * times)


@pytest.mark.parametrize(
    "codec, pixel_format", [("prores", "yuv422p10le"), ("dnxhr", "yuv422p10le"), ("prores", "yuv420p")]
)
def test_where_no_light_falls_the_encoder_gets_the_own_planes(tmp_path, codec, pixel_format):
    # REFERENCE  by construction: a movie of the hero's planes themselves (8-bit 4:2:0 interpolated to 4:2:2 by hand,
    # chroma midway between lines) has the same bytes.
    # TOLERANCE  exact.
    pictures = noisy(2, (120, 256), pixel_format)
    hero = write_clip(tmp_path / "hero.mkv", pictures, codec="ffv1", pixel_format=pixel_format, tags=TAGS_709)
    movie = copy_range(tmp_path, hero, 1, 2, codec=codec)
    settings = {"encoding": movie.codec.encoding, "codec": codec, "tags": probe_movie(hero).tags}
    with MovieWriter(tmp_path / "by_hand.mov", width=256, height=120, rate=RATE, **settings) as by_hand:
        for planes in pictures:
            by_hand.write(planes if pixel_format.endswith("10le") else fill_lines(planes))
    assert movie.path.read_bytes() == by_hand.path.read_bytes()


@pytest.mark.parametrize("codec, chroma", [("prores", "444"), ("dnxhr", "422"), ("dnxhr", "444")])
def test_odd_sizes_keep_their_last_line_and_column(tmp_path, codec, chroma):
    pixel_format = f"yuv{chroma}p10le"
    planes = tuple(np.full((p.height, p.width), code, np.uint16) for p, code in zip(
        av.VideoFormat(pixel_format, 257, 121).components, (240, 600, 440), strict=True))  # fmt: skip
    hero = write_clip(tmp_path / "hero.mkv", [planes], codec="ffv1", pixel_format=pixel_format, tags=TAGS_709)
    movie = copy_range(tmp_path, hero, 1, 1, codec=codec)
    with open_take(movie.path) as take:
        (frame,) = take.frames()
        scale = 2 ** (take.info.encoding.bit_depth - 10)
    for found, own in zip(frame.planes, planes, strict=True):
        assert found.shape == own.shape and np.abs(found / scale - own).max() <= 1


def fill_lines(planes):
    luma, *chroma = (plane.astype(np.uint16) for plane in planes)
    filled = []
    for plane in chroma:
        above, below = np.vstack([plane[:1], plane[:-1]]), np.vstack([plane[1:], plane[-1:]])
        lines = np.empty((2 * plane.shape[0], plane.shape[1]), np.uint16)
        lines[0::2], lines[1::2] = 3 * plane + above, 3 * plane + below
        filled.append(lines)
    return luma * 4, *filled


@pytest.mark.parametrize("codec, least_db", [("prores", 50), ("dnxhr", 50)])
def test_a_lossy_movie_is_near(tmp_path, codec, least_db):
    # REFERENCE  common practice of the trade: from about 45 dB on, a copy is taken to look like its source.
    # TOLERANCE  peak signal to noise of luma, at 1023.
    pictures = moving_pictures(2, (144, 256), np.uint16, "422")
    hero = write_clip(tmp_path / "hero.mkv", pictures, codec="ffv1", pixel_format="yuv422p10le", tags=TAGS_709)
    movie = copy_range(tmp_path, hero, 1, 2, codec=codec)
    with open_take(movie.path) as take:
        for frame, own in zip(take.frames(), pictures, strict=True):
            error = np.mean((frame.planes[0].astype(float) - own[0]) ** 2)
            assert 10 * np.log10(1023**2 / max(error, 1e-9)) > least_db


def test_light_has_the_movies_bits_and_the_rest_keeps_its_codes(tmp_path):
    pictures = moving_pictures(2, (24, 32))
    hero = write_clip(tmp_path / "hero.mkv", pictures, codec="ffv1", tags=TAGS_709)
    with open_take(hero) as take, begin_shot_movie(tmp_path / "out", take, first=1, last=2) as movie:
        for frame in take.frames():
            before = take.linear(frame)
            light = before.copy()
            light[:, 16:] += np.linspace(0, 0.02, 16, dtype=np.float32)[:, None]
            coded = movie.code(frame, light, changed=(light != before).any(axis=2))
            assert coded.limited == 0
            movie.write_coded(coded.planes)
            wanted = light
    with open_take(movie.path) as take:
        assert take.info.encoding.bit_depth == 10
        (frame,) = take.read_frames([2])
        np.testing.assert_array_equal(frame.planes[0][:, :16], pictures[1][0][:, :16].astype(int) * 4)
        found = take.linear(frame)
    assert np.any(frame.planes[0][:, 17:] % 4)
    eight = encode_planes(wanted, take.info.encoding).planes[0]
    assert np.abs(frame.planes[0].astype(int) - eight).max() <= 1
    assert np.abs(found[:, 20:] - wanted[:, 20:]).mean() < 1e-3


@pytest.mark.parametrize(
    "codec, tags",
    [
        ("prores", (1, 1, 1, 1)),
        ("prores", (9, 18, 9, 1)),
        ("prores", (2, 2, 2, 1)),
        ("prores", (5, 6, 5, 1)),
        ("ffv1", (12, 13, 1, 1)),
        ("ffv1", (2, 2, 2, 1)),
    ],
)
def test_tags_are_the_heros_own(tmp_path, codec, tags):
    # REFERENCE  ITU-T H.273 numbers: primaries (1 BT.709, 9 BT.2020, 12 P3 D65, 5 BT.601 625), transfer (1, 18 HLG, 13
    # sRGB, 6), matrix (1, 9, 5); 2 says that nothing is said, and then the movie must say nothing, too.
    names = ("color_primaries", "color_trc", "colorspace", "color_range")
    pictures = moving_pictures(2, (48, 64), np.uint16, "422")
    own = dict(zip(names, tags, strict=True))
    hero = write_clip(tmp_path / "hero.mkv", pictures, codec="ffv1", pixel_format="yuv422p10le", tags=own)
    movie = copy_range(tmp_path, hero, 1, 2, codec=codec)
    found = probe_movie(movie.path).tags
    assert (found.primaries, found.transfer, found.matrix, found.range) == tags


@pytest.mark.parametrize("location", ["left", "center", "topleft"])
def test_chroma_lies_where_the_heros_lies(tmp_path, location):
    # REFERENCE  RFC 9559: Matroska says where chroma lies (ChromaSitingHorz, ChromaSitingVert).
    encoding = make_encoding(bit_depth=8, chroma_location=location)
    hero = tmp_path / "hero.mkv"
    with MovieWriter(hero, width=64, height=48, rate=RATE, encoding=encoding, codec="h264") as movie:
        movie.write(moving_pictures(1)[0])
    out = copy_range(tmp_path, hero, 1, 1)
    assert out.codec.name == "ffv1" and "prores" in out.notes[-1]
    assert probe_movie(out.path).tags.chroma_location == location


def test_a_named_colour_does_not_change_the_tags(tmp_path):
    hero = write_clip(tmp_path / "hero.mkv", moving_pictures(2), codec="ffv1", tags=TAGS_709)
    with (
        open_take(hero, colour="slog3", rotate=90) as take,
        begin_shot_movie(tmp_path / "out", take, first=1, last=2) as movie,
    ):
        for frame in take.frames():
            light = take.linear(frame)
            movie.write_coded(movie.code(frame, light, changed=np.zeros(light.shape[:2], bool)).planes)
    facts = probe_movie(movie.path)
    assert (facts.tags.transfer, facts.rotation, facts.width, facts.height) == (1, 0, 64, 48)


@pytest.mark.parametrize("codec", ["prores", "ffv1"])
def test_rotation_and_pixel_aspect_stay_as_the_heros(tmp_path, codec):
    hero = tmp_path / "hero.mov"
    pictures = moving_pictures(3, (48, 64))
    write_hero(hero, pictures, codec="libx264", turn=-90, aspect="4/3")
    own = probe_movie(hero)
    movie = copy_range(tmp_path, hero, 1, 3, codec=codec)
    facts = probe_movie(movie.path)
    assert (own.rotation, own.pixel_aspect) == (90, Fraction(4, 3))
    assert (facts.rotation, facts.pixel_aspect) == (90, Fraction(4, 3))
    assert (facts.width, facts.height, facts.rate) == (64, 48, RATE)  # coded as the hero lies


@pytest.mark.parametrize(
    "start, offset, rate, wanted",
    [
        # REFERENCE  SMPTE ST 12-1: in drop-frame counting 00:00:59;29 is followed by 00:01:00;02, 00:09:59;29 by
        # 00:10:00;00, 23:59:59;29 by 00:00:00;00.  TOLERANCE  exact.
        ("00:00:59;28", 2, NTSC, "00:01:00;02"),
        ("00:09:59;29", 1, NTSC, "00:10:00;00"),
        ("23:59:59;29", 1, NTSC, "00:00:00;00"),
        ("00:00:59:28", 2, NTSC, "00:01:00:00"),
        ("10:59:59:23", 3, RATE, "11:00:00:02"),
        ("01:00:00:00", 0, Fraction(25), "01:00:00:00"),
        (None, 2, Fraction(25), "00:00:00:02"),
        (None, 0, Fraction(25), None),
    ],
)
def test_timecode_of_the_first_frame(tmp_path, start, offset, rate, wanted):
    hero = tmp_path / "hero.mov"
    metadata = {"timecode": start} if start else {}
    write_clip(hero, moving_pictures(5, (32, 32)), rate=rate, metadata=metadata, tags=TAGS_709)
    codec = "ffv1" if offset == 2 else "prores"
    movie = copy_range(tmp_path, hero, 1 + offset, 5, codec=codec)
    assert (movie.path.suffix, movie.timecode) == (".mkv" if codec == "ffv1" else ".mov", wanted)
    with open_take(movie.path) as take:
        assert (take.info.timecode, take.info.rate, take.info.frame_count) == (wanted, rate, 5 - offset)


def test_uneven_frames_keep_their_times(tmp_path):
    times = [0, 40, 81, 161, 200, 300]
    hero = write_clip(
        tmp_path / "hero.mkv", moving_pictures(6), codec="ffv1", times=times, time_base=Fraction(1, 1000), tags=TAGS_709
    )
    movie = copy_range(tmp_path, hero, 2, 6, codec="prores")
    with open_take(hero) as take, open_take(movie.path) as again:
        assert take.info.variable_rate
        assert [round(frame.seconds * 1000) for frame in again.frames()] == [0, 41, 121, 160, 260]


def test_the_same_bytes_and_nothing_private(tmp_path):
    private = {"location": "+52.0+013.0/", "make": "SOMEMAKE", "comment": "SERIAL12345"}
    private["creation_time"] = "2020-01-01T00:00:00Z"
    hero = tmp_path / "hero.mkv"
    write_hero(hero, moving_pictures(12), metadata=private)
    for codec in ("prores", "ffv1"):
        one, two = (copy_range(tmp_path, hero, 3, 9, codec=codec, name=name).path.read_bytes() for name in "ab")
        assert one == two
        for word in (b"+52.0", b"SOMEMAKE", b"SERIAL12345", b"2020-01-01", b"creation_time"):
            assert word not in one


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_other_software_says_the_same(tmp_path):
    # REFERENCE  ffprobe of FFmpeg, its names for H.273 numbers.
    hero = tmp_path / "hero.mov"
    write_hero(hero, moving_pictures(12, (48, 64)), codec="libx264", metadata={"timecode": "10:00:00:00"}, aspect="4/3")
    movie = copy_range(tmp_path, hero, 5, 12, codec="prores")
    said = subprocess.run(
        ["ffprobe", "-v", "error", "-show_streams", "-of", "json", str(movie.path)], capture_output=True, check=True
    )
    video, sound, *_ = json.loads(said.stdout)["streams"]
    for key, value in {
        "codec_name": "prores",
        "profile": "HQ",
        "pix_fmt": "yuv422p10le",
        "r_frame_rate": "24000/1001",
        "sample_aspect_ratio": "4:3",
        "color_range": "tv",
        "color_primaries": "bt709",
        "color_transfer": "bt709",
        "color_space": "bt709",
        "nb_frames": "8",
    }.items():
        assert video[key] == value
    assert video["tags"]["timecode"] == "10:00:00:04"
    assert (sound["codec_name"], float(sound["start_time"]), float(video["start_time"])) == ("pcm_s16le", 0, 0)
    assert abs(float(sound["duration"]) - float(video["duration"])) < 1e-3


def test_what_cannot_be_a_movie_is_one_line(tmp_path):
    hero = write_clip(tmp_path / "hero.mkv", moving_pictures(4), codec="ffv1", tags=TAGS_709)
    (tmp_path / "stills").mkdir()
    for number in (1, 2):
        write_exr(tmp_path / "stills" / f"s.{number:04d}.exr", np.zeros((8, 8, 3), np.float32), primaries="bt709")
    with open_take(tmp_path / "stills") as take, pytest.raises(SettingError, match=r"floating-point stills.*EXR"):
        begin_shot_movie(tmp_path / "out", take, first=1, last=2, rate=RATE)
    with open_take(hero) as take:
        with pytest.raises(SettingError, match=r"frames 3-9 are not all in it; it holds 1-4"):
            begin_shot_movie(tmp_path / "out", take, first=3, last=9)
        with pytest.raises(SettingError, match=r"ffv1 is written as \.mkv; name it out\.mkv"):
            begin_shot_movie(tmp_path / "out.mov", take, first=1, last=2)
        planes = next(take.frames()).planes
        with (
            pytest.raises(SettingError, match="1 frames were written, 2 were expected"),
            begin_shot_movie(tmp_path / "out", take, first=1, last=2) as movie,
        ):
            movie.write(planes)
        with (
            pytest.raises(OutputError, match="cannot be written"),
            begin_shot_movie(tmp_path / "gone" / "out", take, first=1, last=1) as movie,
        ):
            movie.write(planes)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["hero.mkv", "stills"]


def test_whole_number_stills_make_a_movie_once_their_rate_is_known(tmp_path):
    (tmp_path / "stills").mkdir()
    picture = np.random.default_rng(3).integers(0, 256, (6, 10, 3)).astype(np.uint8)
    for number in (7, 8):
        write_png(tmp_path / "stills" / f"s.{number:04d}.png", picture)
    with open_take(tmp_path / "stills") as take:
        with pytest.raises(SettingError, match="no frame rate"):
            begin_shot_movie(tmp_path / "out", take, first=7, last=8)
        with begin_shot_movie(tmp_path / "out", take, first=7, last=8, rate=Fraction(25)) as movie:
            for frame in take.frames():
                movie.write(frame.planes)
    with open_take(movie.path) as take:
        (frame, _) = take.frames()
        assert take.info.rate == 25
    np.testing.assert_array_equal(np.dstack(frame.planes), picture)


def test_files_that_differ_make_no_one_movie(tmp_path):
    one = write_clip(tmp_path / "a.mkv", moving_pictures(3), codec="ffv1", tags=TAGS_709)
    two = write_clip(tmp_path / "b.mkv", moving_pictures(3), codec="ffv1", tags={**TAGS_709, "color_trc": 13})
    with open_take([one, two]) as take:
        with pytest.raises(MismatchedInput, match=r"b\.mkv: is not coded as a\.mkv"):
            begin_shot_movie(tmp_path / "out", take, first=2, last=5)
        with begin_shot_movie(tmp_path / "out", take, first=4, last=5) as movie:  # within one of them
            for frame in take.frames(4, 5):
                movie.write(frame.planes)
    assert probe_movie(movie.path).tags.transfer == 13


def test_a_full_disk_is_one_line_and_leaves_nothing(tmp_path):
    hero = tmp_path / "hero.mkv"
    write_hero(hero, noisy(12, (96, 128), "yuv420p"))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, hard))  # a file may not grow beyond this, as on a full disk
    try:
        for codec in ("prores", "ffv1"):
            with pytest.raises(OutputError, match=r"out\.m.*cannot be written"):
                copy_range(tmp_path, hero, 1, 12, codec=codec)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert [path.name for path in tmp_path.iterdir()] == ["hero.mkv"]
