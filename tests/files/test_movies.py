"""Movies: codecs, layouts, tags, rotation, timing, named frames, and files that are not as they should be."""

import os
import re
import shutil
import struct
import threading
from fractions import Fraction

import av
import colour
import numpy as np
import pytest
from clips import TAGS_709, flat_planes, moving_pictures, write_clip

from lightstack.errors import InputError, MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.read.movies import MovieReader, list_ranges
from lightstack.files.read.takes import open_take

os.environ.setdefault("SVT_LOG", "1")  # the AV1 encoder used here for test clips talks otherwise

# codec, pixel format, suffix, chroma, depth read, size, options, codes that compression may be off
CODECS = [
    ("libx264", "yuv420p", ".mp4", "420", 8, (48, 64), {"crf": "4"}, 1),
    ("libx264", "yuv422p10le", ".mov", "422", 10, (48, 64), {"crf": "1"}, 2),
    ("libx264", "yuv444p", ".mkv", "444", 8, (48, 64), {"crf": "4"}, 1),
    ("libx265", "yuv420p10le", ".mp4", "420", 10, (64, 64), {"crf": "2", "x265-params": "log-level=none"}, 2),
    ("prores_ks", "yuv422p10le", ".mov", "422", 10, (48, 64), {"profile": "3"}, 2),
    ("prores_ks", "yuv444p10le", ".mov", "444", 12, (48, 64), {"profile": "4"}, 2),
    ("dnxhd", "yuv422p", ".mov", "422", 8, (144, 256), {"profile": "dnxhr_hq"}, 1),
    ("dnxhd", "yuv422p10le", ".mov", "422", 10, (144, 256), {"profile": "dnxhr_hqx"}, 2),
    ("ffv1", "yuv420p", ".mkv", "420", 8, (48, 64), {}, 0),
    ("ffv1", "yuv420p10le", ".mkv", "420", 10, (17, 35), {}, 0),
    ("ffv1", "yuv422p12le", ".mkv", "422", 12, (17, 35), {}, 0),
    ("ffv1", "yuv444p16le", ".mkv", "444", 16, (17, 35), {}, 0),
    ("ffv1", "yuv420p", ".mkv", "420", 8, (1, 1), {}, 0),
    ("libsvtav1", "yuv420p10le", ".mp4", "420", 10, (64, 64), {"crf": "5", "preset": "10"}, 3),
]


@pytest.mark.parametrize("codec, pixel_format, suffix, chroma, depth, size, options, slack", CODECS)
def test_flat_patches_come_through_every_codec(
    tmp_path, codec, pixel_format, suffix, chroma, depth, size, options, slack
):
    # REFERENCE  colour-science 0.4.7: YCbCr_to_RGB with BT.709 weights, oetf_BT709.
    # TOLERANCE  0.05 of a code for the conversion, judged from the codes that the codec gave back; the codec
    #            itself may move codes by ``slack``.
    scale = 2 ** (av.VideoFormat(pixel_format, 16, 16).components[0].bits - 8)
    codes = np.array([120, 112, 150]) * scale
    pictures = [flat_planes(size, pixel_format, codes)] * 3
    path = write_clip(
        tmp_path / f"clip{suffix}",
        pictures,
        codec=codec,
        pixel_format=pixel_format,
        options=options,
        tags=TAGS_709,
    )
    with open_take(path) as take:
        encoding = take.info.encoding
        assert (encoding.chroma, encoding.bit_depth) == (chroma, depth)
        assert (encoding.matrix, encoding.range, encoding.transfer) == ("bt709", "limited", "bt709")
        assert (take.info.height, take.info.width) == size
        frames = list(take.frames())
        light = take.linear(frames[1])
    assert [frame.number for frame in frames] == [1, 2, 3]
    got = [int(plane.flat[plane.size // 2]) for plane in frames[1].planes]
    assert np.abs(got - codes * 2 ** (depth - 8) // scale).max() <= slack * 2 ** (depth - 8) / scale
    signal = colour.YCbCr_to_RGB(
        np.array(got),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_bits=depth,
        in_legal=True,
        in_int=True,
        out_legal=False,
        out_int=False,
    )
    ours = colour.models.oetf_BT709(light[size[0] // 2, size[1] // 2].astype(float))
    assert np.abs(ours - signal).max() * 219 * 2 ** (depth - 8) <= 0.05 * max(1, 2 ** (depth - 10))


@pytest.mark.parametrize("pixel_format", ["gbrp10le", "bgr0", "rgb48le", "gray", "gray10le", "gray16le"])
def test_rgb_and_grey_movies(tmp_path, pixel_format):
    rng = np.random.default_rng(1)
    grey = pixel_format.startswith("gray")
    depth = {"bgr0": 8, "gray": 8, "gray10le": 10, "gbrp10le": 10}.get(pixel_format, 16)
    dtype = np.uint8 if depth == 8 else np.uint16
    rgb = rng.integers(0, 2**depth, (9, 13, 1 if grey else 3)).astype(dtype)
    if pixel_format == "gbrp10le":
        planes = (rgb[..., 1], rgb[..., 2], rgb[..., 0])
    elif pixel_format == "bgr0":
        planes = (np.dstack([rgb[..., ::-1], rgb[..., :1]]).reshape(9, -1),)
    else:
        planes = (rgb.reshape(9, -1),)
    height, width = 9, 13
    path = tmp_path / "clip.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.color_trc = 13
        frame = av.VideoFrame(width, height, pixel_format)
        from clips import fill_frame

        fill_frame(frame, planes)
        frame.pts = 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with open_take(path) as take:
        assert take.info.encoding.matrix == ("rgb" if not grey else take.info.encoding.matrix)
        assert take.info.encoding.range == "full"
        (frame,) = take.frames()
        light = take.linear(frame)
    # REFERENCE  IEC 61966-2-1:1999 by colour-science 0.4.7, eotf_sRGB.
    # TOLERANCE  float32 and table steps.
    expected = colour.models.eotf_sRGB(rgb / (2.0**depth - 1))
    np.testing.assert_allclose(light, np.broadcast_to(expected, light.shape), rtol=1e-5, atol=2e-7)


def test_jpeg_movies_are_full_range_bt601_with_centred_chroma(tmp_path):
    # REFERENCE  ITU-T T.871 (JFIF): full range, BT.601 weights, chroma centred.
    pictures = [flat_planes((48, 64), "yuvj420p", (100, 120, 140))] * 2
    path = write_clip(tmp_path / "clip.mov", pictures, codec="mjpeg", pixel_format="yuvj420p", options={"q": "2"})
    with open_take(path) as take:
        encoding = take.info.encoding
        assert (encoding.range, encoding.matrix, encoding.chroma_location) == ("full", "bt601", "center")
        assert len(list(take.frames())) == 2


@pytest.mark.parametrize("location", ["left", "center", "topleft"])
def test_chroma_location_is_read(tmp_path, location):
    path = write_clip(
        tmp_path / "clip.mp4", moving_pictures(2), options={"chroma_sample_location": location}, tags=TAGS_709
    )
    with open_take(path) as take:
        assert take.info.encoding.chroma_location == location


@pytest.mark.parametrize("height, matrix, primaries", [(576, "bt601", "bt601_625"), (720, "bt709", "bt709")])
def test_untagged_movies_follow_the_usual_guess_and_say_so(tmp_path, height, matrix, primaries):
    # Common practice of the trade, not a standard: 720 lines and more are BT.709.
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(1, (height, 64)), options={"preset": "ultrafast"})
    with open_take(path) as take:
        encoding = take.info.encoding
        assert (encoding.matrix, encoding.primaries, encoding.range) == (matrix, primaries, "limited")
        assert any(matrix in line for line in encoding.assumed)
        assert any("range" in line for line in encoding.assumed)
    with open_take(path, matrix="bt2020", range="full", colour="slog3") as take:
        encoding = take.info.encoding
        assert (encoding.matrix, encoding.range) == ("bt2020", "full")
        assert (encoding.transfer, encoding.primaries) == ("slog3", "sgamut3cine")


@pytest.mark.parametrize("number, name", [(16, "pq"), (18, "hlg")])
def test_hdr_is_decoded_by_tag(tmp_path, number, name):
    tags = {"color_range": 1, "colorspace": 9, "color_trc": number, "color_primaries": 9}
    path = write_clip(
        tmp_path / "clip.mkv",
        moving_pictures(2, dtype=np.uint16, chroma="422"),
        codec="ffv1",
        pixel_format="yuv422p10le",
        tags=tags,
    )
    with open_take(path) as take:
        assert (take.info.encoding.transfer, take.info.encoding.primaries) == (name, "bt2020")
        assert np.isfinite(take.linear(next(take.frames()))).all()


def test_a_matrix_that_is_not_read_is_refused(tmp_path):
    tags = {**TAGS_709, "colorspace": 10}  # BT.2020 constant luminance
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(1), tags=tags)
    with pytest.raises(UnreadableInput, match=r"clip\.mp4.*number 10"):
        open_take(path)


# --- geometry --------------------------------------------------------------------------------------


def read_track_matrix(path):
    """Find the track header's matrix in an MP4 file by its box, without a movie library."""
    data = path.read_bytes()
    start = data.index(b"tkhd") + 4
    version = data[start]
    return struct.unpack(">9i", data[start + (52 if version else 40) :][:36])


@pytest.mark.parametrize("clockwise", [0, 90, 180, 270])
def test_pictures_are_turned_upright(tmp_path, clockwise):
    upright = np.full((32, 48), 60, np.uint8)
    upright[:16, :24] = 200  # bright top left
    coded = np.ascontiguousarray(np.rot90(upright, clockwise // 90))  # the camera lay on its side
    low = tuple(np.full((coded.shape[0] // 2, coded.shape[1] // 2), 128, np.uint8) for _ in range(2))
    path = write_clip(tmp_path / "clip.mp4", [(coded, *low)] * 2, options={"crf": "2"}, tags=TAGS_709, turn=-clockwise)
    # REFERENCE  ISO/IEC 14496-12, 8.3.2: (a b c d) = (0 1 -1 0) turns the picture a quarter clockwise.
    a, b, _, c, d, *_ = read_track_matrix(path)
    expected = {0: (1, 0, 0, 1), 90: (0, 1, -1, 0), 180: (-1, 0, 0, -1), 270: (0, -1, 1, 0)}[clockwise]
    assert (a / 65536, b / 65536, c / 65536, d / 65536) == expected
    with open_take(path) as take:
        assert (take.info.rotation, take.info.height, take.info.width) == (clockwise, 32, 48)
        frame = next(take.frames())
        light = take.linear(frame)
        proxy = take.proxy(frame, 5)
        out = np.empty((32, 48, 3), np.float32)
        assert take.linear(frame, out) is out
    np.testing.assert_array_equal(out, light)
    assert light.shape == (32, 48, 3)
    assert light[4, 4, 1] > 4 * light[28, 44, 1]
    assert light[4, 4, 1] > 4 * light[28, 4, 1]
    assert proxy.rgb.shape == (6, 9, 3)  # boxes begin at the upright top left
    # TOLERANCE  a box mean of codes against the light of flat boxes, compressed: 5 %.
    np.testing.assert_allclose(proxy.rgb[1, 1], light[5:10, 5:10].mean(axis=(0, 1)), rtol=0.05)
    with open_take(path, rotate=0) as take:
        assert take.linear(next(take.frames())).shape[:2] == coded.shape


def test_pixel_aspect_timecode_and_rate_are_read_and_places_are_not_kept(tmp_path):
    path = tmp_path / "clip.mov"
    write_clip(
        path,
        moving_pictures(3),
        options={"aspect": "4/3"},
        tags=TAGS_709,
        rate=Fraction(30000, 1001),
        metadata={"timecode": "01:02:03:04", "location": "+12.3456-045.6789/", "artist": "Nobody"},
    )
    with open_take(path) as take:
        info = take.info
    assert info.pixel_aspect == Fraction(4, 3)
    assert info.timecode == "01:02:03:04"
    assert info.rate == Fraction(30000, 1001)
    assert "45.6789" not in repr(info)
    assert "Nobody" not in repr(info)


# --- time ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", [".mkv", ".mp4"])
def test_variable_rate_keeps_the_time_stamps(tmp_path, suffix):
    times = [0, 40, 80, 160, 170, 400, 440, 480]
    path = write_clip(
        tmp_path / f"clip{suffix}",
        moving_pictures(8),
        times=times,
        time_base=Fraction(1, 1000),
        tags=TAGS_709,
    )
    with open_take(path) as take:
        assert take.info.variable_rate
        assert any("varies" in note for note in take.info.notes)
        frames = list(take.frames())
    assert [frame.number for frame in frames] == list(range(1, 9))
    assert [frame.seconds for frame in frames] == [Fraction(t, 1000) for t in times]


@pytest.mark.parametrize("suffix", [".mkv", ".mp4", ".mov"])
def test_a_steady_rate_is_not_called_variable(tmp_path, suffix):
    path = write_clip(tmp_path / f"clip{suffix}", moving_pictures(30), tags=TAGS_709)
    with open_take(path) as take:
        assert not take.info.variable_rate
        assert take.info.frame_count == 30


# --- named frames ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "codec, suffix, gop, options, counts",
    [
        # Groups begin at 1, 13, 31, 43 and so on: for these frames 3 + 5 + 2 + 4 are decoded.
        ("libx264", ".mp4", 6, {}, (14, 8)),
        ("libx264", ".mkv", 6, {"bf": "3"}, (14, 8)),
        # A single sync frame: everything up to the last one is decoded.
        ("libx264", ".mp4", 250, {}, (46, 40)),
        ("libx264", ".ts", 6, {}, None),
        ("libx265", ".mp4", 6, {"x265-params": "log-level=none:keyint=6:min-keyint=6:open-gop=1"}, None),
        ("ffv1", ".mkv", 1, {}, (6, 0)),
    ],
)
def test_named_frames_equal_streamed_frames(tmp_path, codec, suffix, gop, options, counts):
    path = write_clip(
        tmp_path / f"clip{suffix}",
        moving_pictures(48, (64, 64)),
        codec=codec,
        gop=gop,
        options={"sc_threshold": "0", **options} if codec == "libx264" else options,
        tags=TAGS_709,
    )
    with open_take(path) as take:
        streamed = {frame.number: [plane.copy() for plane in frame.planes] for frame in take.frames()}
        assert (take.decoded_count, take.run_in_count) == (48, 0)
    wanted = [2, 3, 17, 31, 32, 46]
    with open_take(path) as take:
        named = list(take.read_frames(wanted))
        decoded = (take.decoded_count, take.run_in_count)
    assert [frame.number for frame in named] == wanted
    for frame in named:
        for ours, theirs in zip(frame.planes, streamed[frame.number], strict=True):
            np.testing.assert_array_equal(ours, theirs)
    assert decoded[0] - decoded[1] == 6
    assert decoded[0] <= 46
    assert counts is None or decoded == counts


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_a_movie_cut_within_an_open_group_counts_from_its_first_whole_frame(tmp_path, suffix):
    whole = write_clip(
        tmp_path / "whole.mp4",
        moving_pictures(48, (64, 64)),
        codec="libx265",
        options={"x265-params": "log-level=none:keyint=12:min-keyint=12:open-gop=1:bframes=3:b-adapt=0:scenecut=0"},
        tags=TAGS_709,
    )
    cut = tmp_path / f"cut{suffix}"
    with av.open(str(whole)) as source, av.open(str(cut), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        packets = [packet for packet in source.demux(video=0) if packet.size]
        sync = [i for i, packet in enumerate(packets) if packet.is_keyframe][1]
        assert any(packet.pts < packets[sync].pts for packet in packets[sync + 1 :])  # leading pictures
        for packet in packets[sync:]:
            packet.stream = stream
            target.mux(packet)
    with open_take(whole) as take:
        expected = {frame.number: frame.planes[0].copy() for frame in take.frames()}
    with open_take(cut) as take:
        frames = list(take.frames())
        assert take.info.frame_count == len(frames) < len(packets) - sync
        # An edit list leaves the broken pictures out by itself; without one we say so.
        assert any("cannot be decoded" in note for note in take.info.notes) == (suffix == ".mkv")
        assert not take.info.variable_rate
        (named,) = take.read_frames([20])
    shift = 48 - len(frames)
    for frame in (*frames, named):
        np.testing.assert_array_equal(frame.planes[0], expected[frame.number + shift])


def test_a_range_is_one_forward_pass(tmp_path):
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(30), gop=10, options={"sc_threshold": "0"}, tags=TAGS_709)
    with open_take(path) as take:
        assert [frame.number for frame in take.frames(13, 17)] == [13, 14, 15, 16, 17]
        assert (take.decoded_count, take.run_in_count) == (7, 2)


def test_leaving_early_stops_the_background_thread(tmp_path):
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(30), tags=TAGS_709)
    with open_take(path) as take:
        frames = take.frames()
        next(frames)
        assert any(thread.name == "read-ahead" for thread in threading.enumerate())
    assert not any(thread.name == "read-ahead" for thread in threading.enumerate())
    with open_take(path) as take:
        for _ in take.frames():
            break
    assert not any(thread.name == "read-ahead" for thread in threading.enumerate())


# --- what is not as it should be -------------------------------------------------------------------


def test_files_that_are_no_movies(tmp_path):
    with pytest.raises(MissingInput, match=r"gone\.mov: no such file"):
        open_take(tmp_path / "gone.mov")
    (tmp_path / "empty.mov").touch()
    with pytest.raises(UnreadableInput, match=r"empty\.mov: is empty"):
        open_take(tmp_path / "empty.mov")
    (tmp_path / "text.mov").write_text("a shopping list\n" * 50)
    with pytest.raises(UnreadableInput, match=r"text\.mov: is not a movie"):
        open_take(tmp_path / "text.mov")
    with av.open(str(tmp_path / "sound.mov"), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=8000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), layout="mono")
        sound.sample_rate = 8000
        container.mux(stream.encode(sound))
    with pytest.raises(UnreadableInput, match=r"sound\.mov: holds no pictures"):
        open_take(tmp_path / "sound.mov")


def cut_file(path, share):
    cut = path.with_name("cut" + path.suffix)
    shutil.copy(path, cut)
    with cut.open("r+b") as stream:
        stream.truncate(int(path.stat().st_size * share))
    return cut


@pytest.mark.parametrize(
    "codec, pixel_format, suffix, container",
    [
        ("libx264", "yuv420p", ".mp4", "mp4"),
        ("prores_ks", "yuv422p10le", ".mov", "mov"),
        ("ffv1", "yuv420p", ".mkv", None),
    ],
)
def test_truncated_movies_are_refused_or_kept_as_far_as_they_go(tmp_path, codec, pixel_format, suffix, container):
    deep = pixel_format.endswith("10le")
    pictures = moving_pictures(24, (96, 128), np.uint16 if deep else np.uint8, "422" if deep else "420")
    whole = tmp_path / f"whole{suffix}"
    write_clip(whole, pictures, codec=codec, pixel_format=pixel_format, tags=TAGS_709, gop=6)
    if container:  # put the index first, as a camera's proxy or a web file has it, so that a cut file opens
        moved = tmp_path / f"moved{suffix}"
        with (
            av.open(str(whole)) as source,
            av.open(str(moved), "w", format=container, options={"movflags": "+faststart"}) as target,
        ):
            stream = target.add_stream_from_template(source.streams.video[0])
            for packet in source.demux(video=0):
                if packet.dts is not None:
                    packet.stream = stream
                    target.mux(packet)
        whole = moved
    cut = cut_file(whole, 0.6)
    with open_take(cut) as take, pytest.raises(UnreadableInput, match=r"cut\S+: frame \d+: .*truncated"):
        list(take.frames())
    with open_take(whole) as take:
        expected = [frame.planes[0].copy() for frame in take.frames()]
    with open_take(cut, keep_readable=True) as take:
        kept = list(take.frames())
        assert 3 <= len(kept) < 24
        assert take.reading_notes
    for frame in kept:
        np.testing.assert_array_equal(frame.planes[0], expected[frame.number - 1])
    told = set()
    for threads in (1, 2, 3, 16):  # how far a movie can be read is no matter of the machine
        with open_take(cut, keep_readable=True, threads=threads) as take:
            numbers = tuple(frame.number for frame in take.frames())
            told.add((numbers, take.reading_notes))
        with open_take(cut, threads=threads) as take, pytest.raises(UnreadableInput) as caught:
            list(take.frames())
        told.add(re.search(r"frame \d+: ", str(caught.value))[0])
    assert len(told) == 2, told


def test_a_movie_without_its_index_is_refused(tmp_path):
    whole = write_clip(tmp_path / "whole.mp4", moving_pictures(12), tags=TAGS_709)
    with pytest.raises(UnreadableInput, match="index is missing"):
        open_take(cut_file(whole, 0.7))


def test_interlaced_movies_are_refused(tmp_path):
    path = write_clip(
        tmp_path / "clip.mp4",
        moving_pictures(4),
        options={"x264-params": "tff=1"},
        tags=TAGS_709,
        interlaced=True,
    )
    with pytest.raises(InputError, match="frame 1: is interlaced"):
        open_take(path)


def test_a_change_of_size_is_refused_at_its_frame(tmp_path):
    parts = []
    for size in ((48, 64), (64, 96)):
        part = write_clip(
            tmp_path / f"{size[0]}.h264",
            moving_pictures(4, size),
            container_format="h264",
            options={"bf": "0"},
        )
        parts.append(part.read_bytes())
    path = tmp_path / "both.h264"
    path.write_bytes(b"".join(parts))
    with open_take(path) as take, pytest.raises(MismatchedInput, match="frame 5: is 96 x 64"):
        list(take.frames())


def damage_packet(path, number, out):
    """Copy a movie with the middle of one coded picture (packets counted from 0) overwritten."""
    with av.open(str(path)) as container:
        packets = [(packet.pos, packet.size) for packet in container.demux(video=0) if packet.size]
    data = bytearray(path.read_bytes())
    start = packets[number][0] + packets[number][1] // 3
    for place in range(start, start + min(40, packets[number][1] // 2)):
        data[place] ^= 0x5A
    out.write_bytes(bytes(data))
    return out


def grainy_pictures(count, size=(96, 128)):
    rng = np.random.default_rng(5)
    return [
        (np.clip(luma + rng.integers(-20, 20, size), 16, 235).astype(np.uint8), b, c)
        for luma, b, c in moving_pictures(count, size)
    ]


@pytest.mark.parametrize(
    ("codec", "suffix", "options"),
    [
        ("libx264", ".mp4", {}),
        ("libx264", ".mkv", {"bf": "0"}),
        ("libx264", ".mov", {"bf": "2"}),
        ("mpeg4", ".mp4", {}),
    ],
)
def test_concealed_damage_inside_a_movie_is_named_or_left_out(tmp_path, codec, suffix, options):
    whole = write_clip(
        tmp_path / f"whole{suffix}", grainy_pictures(36), codec=codec, options=options, tags=TAGS_709, gop=12
    )
    with open_take(whole) as take:
        truth = [frame.planes[0].copy() for frame in take.frames()]
    broken = damage_packet(whole, 15, tmp_path / f"broken{suffix}")
    with open_take(broken) as take, pytest.raises(UnreadableInput, match=r"frame 1\d: .*--keep-readable"):
        list(take.frames())
    with open_take(broken, keep_readable=True) as take:
        kept = {frame.number: frame.planes[0].copy() for frame in take.frames()}
        notes = take.reading_notes
        again = [frame.number for frame in take.read_frames([n for n in kept if n > 10])]
    # What is left is as it was filmed, to the last sample, and the take goes on after the damage.
    assert all(np.array_equal(luma, truth[number - 1]) for number, luma in kept.items())
    assert 22 < len(kept) < 36 and max(kept) == 36 and again == [n for n in kept if n > 10]
    missing = sorted(set(range(1, 37)) - set(kept))
    assert len(notes) == 1 and f"{list_ranges(missing)} " in notes[0]


def test_damage_up_to_the_end_is_no_early_end(tmp_path):
    whole = write_clip(
        tmp_path / "whole.mp4", grainy_pictures(20), tags=TAGS_709, gop=12, options={"bf": "0", "sc_threshold": "0"}
    )
    broken = damage_packet(whole, 16, tmp_path / "broken.mp4")
    with open_take(broken, keep_readable=True) as take:
        assert [frame.number for frame in take.frames()] == list(range(1, 17))
        assert len(take.reading_notes) == 1 and "17-20" in take.reading_notes[0]


def test_ranges_are_listed():
    assert list_ranges([3, 7, 8, 9, 12]) == "3, 7-9, 12" and list_ranges([]) == ""


def test_named_frames_cost_no_more_than_the_way_to_them(tmp_path):
    # the decoder is not fed past what was asked for, though frames predicted both ways are handed over late
    pictures = moving_pictures(48, (96, 160))
    options = {"bf": "3", "sc_threshold": "0"}
    path = write_clip(tmp_path / "both_ways.mp4", pictures, codec="libx264", options=options, gop=12)
    reader = MovieReader(path)
    whole = {frame.number: np.array(frame.planes[0]) for frame in MovieReader(path).pick(range(1, 49))}
    sync = reader.list_sync()
    assert sync is not None and len(sync) >= 4
    wanted = [sync[1], sync[2] + 4, sync[2] + 5, sync[3]]
    frames = {frame.number: np.array(frame.planes[0]) for frame in reader.pick(wanted)}
    assert list(frames) == wanted
    for number, plane in frames.items():
        np.testing.assert_array_equal(plane, whole[number])
    assert reader.decoded <= 1 + 6 + 1 + 3  # a frame coded before its turn comes with those it is needed for
