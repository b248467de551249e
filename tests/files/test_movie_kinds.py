"""Kinds of movies besides the plain one: mirrored, askew, of two tracks, of two fields, odd in size, in HDR."""

from __future__ import annotations

import struct

import av
import numpy as np
import pytest
from clips import TAGS_709, fill_frame, moving_pictures, write_clip
from numpy.testing import assert_array_equal

from lightstack.core.colour.encode import turn_upright
from lightstack.errors import InputError, UnreadableInput
from lightstack.files.read.takes import open_take

CORNER = (0, 0, 1 << 30)


def put_matrix(path, a, b, c, d):
    """Write a display matrix into an MP4's track header: ISO/IEC 14496-12, 8.3.2."""
    data = bytearray(path.read_bytes())
    start = data.index(b"tkhd") + 4
    place = start + (52 if data[start] else 40)
    turns = [round(value * 65536) for value in (a, b, c, d)]
    struct.pack_into(">9i", data, place, turns[0], turns[1], 0, turns[2], turns[3], 0, *CORNER)
    path.write_bytes(data)


def show(stored, a, b, c, d):
    """The slow obvious twin: every pixel goes where a matrix of whole numbers shows it, the picture moved to (0, 0)."""
    height, width = stored.shape
    places = {(a * x + c * y, b * x + d * y): stored[y, x] for y in range(height) for x in range(width)}
    left, top = (min(place[k] for place in places) for k in (0, 1))
    shown = np.zeros((height, width) if a else (width, height), stored.dtype)
    for (x, y), value in places.items():
        shown[y - top, x - left] = value
    return shown


MATRICES = [(1, 0, 0, 1), (0, 1, -1, 0), (-1, 0, 0, -1), (0, -1, 1, 0), (-1, 0, 0, 1), (1, 0, 0, -1), (0, 1, 1, 0),
            (0, -1, -1, 0)]  # fmt: skip


@pytest.mark.parametrize("matrix", MATRICES)
def test_a_movie_is_upright_and_at_most_left_and_right_are_exchanged(tmp_path, matrix):
    # REFERENCE  the matrix of ISO/IEC 14496-12 applied pixel by pixel. TOLERANCE  exact.
    a, b, c, d = matrix
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(2), tags=TAGS_709)
    put_matrix(path, *matrix)
    with open_take(path) as take:
        stored = np.asarray(next(take.frames()).planes[0])
        found = turn_upright(stored, take.info.rotation)
        notes = take.info.notes
    shown, mirrored = show(stored, *matrix), a * d - b * c < 0
    assert_array_equal(found, shown[:, ::-1] if mirrored else shown)
    assert notes == (("is tagged as mirrored, left and right, which is not undone",) if mirrored else ())


@pytest.mark.parametrize("matrix", [(0.7071, 0.7071, -0.7071, 0.7071), (0.9986, 0.0523, -0.0523, 0.9986), (0, 0, 0, 0)])
def test_a_movie_to_be_shown_askew_is_refused_unless_a_turn_is_named(tmp_path, matrix):
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(2), tags=TAGS_709)
    put_matrix(path, *matrix)
    with pytest.raises(
        UnreadableInput, match=r"clip\.mp4: is tagged to be shown turned by no quarter turn.*rotate = 0"
    ):
        open_take(path)
    with open_take(path, rotate=90) as take:
        assert take.info.rotation == 90


def test_of_two_tracks_of_pictures_one_is_used_and_said(tmp_path):
    path = tmp_path / "two.mkv"
    pictures = moving_pictures(3)
    with av.open(str(path), "w") as container:
        streams = [container.add_stream("ffv1", rate=24) for _ in range(2)]
        for stream in streams:
            stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        for number, planes in enumerate(pictures):
            for shift, stream in enumerate(streams):
                frame = av.VideoFrame(64, 48, "yuv420p")
                fill_frame(frame, (planes[0] + np.uint8(90 * shift), *planes[1:]))
                frame.pts = number
                container.mux(stream.encode(frame))
        for stream in streams:
            container.mux(stream.encode(None))
    with open_take(path) as take:
        frames = list(take.frames())
        assert take.info.notes == ("holds 2 tracks of pictures, number 1 is used",)
    for frame, planes in zip(frames, pictures, strict=True):
        assert_array_equal(frame.planes[0], planes[0])


@pytest.mark.parametrize("codec, pixel_format", [("prores_ks", "yuv422p10le"), ("mpeg2video", "yuv420p")])
def test_frames_of_two_fields_are_refused(tmp_path, codec, pixel_format):
    deep = pixel_format.endswith("10le")
    pictures = moving_pictures(3, dtype=np.uint16 if deep else np.uint8, chroma="422" if deep else "420")
    path = write_clip(
        tmp_path / "clip.mov", pictures, codec=codec, pixel_format=pixel_format, interlaced=True, tags=TAGS_709
    )
    with pytest.raises(InputError, match="frame 1: is interlaced, progressive frames are expected"):
        open_take(path)


def test_a_container_that_calls_whole_frames_interlaced_is_noted(tmp_path):
    # REFERENCE  Apple, QuickTime File Format, "fiel": 2 fields, 9 = the first is shown first and stored first.
    pictures = moving_pictures(3, dtype=np.uint16, chroma="422")
    path = write_clip(tmp_path / "clip.mov", pictures, codec="prores_ks", pixel_format="yuv422p10le", tags=TAGS_709)
    data = path.read_bytes()
    place = data.index(b"colr") - 4
    assert data[place : place + 4] == struct.pack(">I", 18)
    box = struct.pack(">I4sBB", 10, b"fiel", 2, 9) + struct.pack(">I4s", 8, b"free")  # in its place
    path.write_bytes(data[:place] + box + data[place + 18 :])
    with open_take(path) as take:
        assert take.info.notes == (
            "its container calls it interlaced, its frames say they are not and are read as they come",
        )


@pytest.mark.parametrize("size", [(47, 33), (33, 47), (1, 5)])
@pytest.mark.parametrize("chroma", ["420", "422", "444"])
def test_odd_sizes_keep_every_code(tmp_path, size, chroma):
    # REFERENCE  what was written, lossless. TOLERANCE  exact.
    pictures = moving_pictures(3, size, chroma=chroma)
    path = write_clip(tmp_path / "clip.mkv", pictures, codec="ffv1", pixel_format=f"yuv{chroma}p", tags=TAGS_709)
    with open_take(path) as take:
        frames = list(take.frames())
        assert (take.info.height, take.info.width) == size
        assert take.linear(frames[0]).shape == (*size, 3)
    for frame, planes in zip(frames, pictures, strict=True):
        for found, written in zip(frame.planes, planes, strict=True):
            assert_array_equal(found, written)


def test_alpha_is_left_out_and_said(tmp_path):
    # REFERENCE  what was written, lossless. TOLERANCE  exact: not multiplied by alpha.
    pictures = [(*planes, planes[0] // 2) for planes in moving_pictures(3, chroma="444")]
    path = write_clip(tmp_path / "clip.mkv", pictures, codec="ffv1", pixel_format="yuva444p", tags=TAGS_709)
    with open_take(path) as take:
        frame = next(take.frames())
        assert take.info.notes == ("its alpha channel is left out",)
    assert len(frame.planes) == 3
    for found, written in zip(frame.planes, pictures[0], strict=False):
        assert_array_equal(found, written)


@pytest.mark.parametrize("transfer, name", [(1, "bt709"), (14, "bt2020"), (16, "pq"), (18, "hlg")])
@pytest.mark.parametrize("matrix", [2, 9])
def test_wide_primaries_bring_their_matrix(tmp_path, transfer, name, matrix):
    # REFERENCE  ITU-R BT.2020-2, table 4: its luma coefficients go with its primaries.
    tags = {"color_range": 1, "colorspace": matrix, "color_trc": transfer, "color_primaries": 9}
    pictures = moving_pictures(2, dtype=np.uint16, chroma="422")
    path = write_clip(tmp_path / "clip.mkv", pictures, codec="ffv1", pixel_format="yuv422p10le", tags=tags)
    with open_take(path) as take:
        encoding = take.info.encoding
    assert (encoding.transfer, encoding.primaries, encoding.matrix) == (name, "bt2020", "bt2020")
    assert any("no matrix tag: bt2020" in line for line in encoding.assumed) is (matrix == 2)


@pytest.mark.parametrize("number, what", [(8, "matrix"), (14, "matrix"), (17, "curve")])
def test_colours_that_are_not_read_are_refused_by_number(tmp_path, number, what):
    # REFERENCE  ITU-T H.273: matrices 8 (YCgCo), 14 (ICtCp); transfer 17 (SMPTE ST 428-1).
    tags = {**TAGS_709, ("colorspace" if what == "matrix" else "color_trc"): number}
    path = write_clip(tmp_path / "clip.mp4", moving_pictures(1), tags=tags)
    with pytest.raises(UnreadableInput, match=rf"clip\.mp4.*{what} \(number {number} of ITU-T H\.273\)"):
        open_take(path)
