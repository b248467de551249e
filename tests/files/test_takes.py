"""Takes: movies, stills and lists of them behind one interface."""

from fractions import Fraction

import colour
import numpy as np
import PyOpenColorIO as ocio
import pytest
from clips import TAGS_709, flat_planes, moving_pictures, write_clip

from lightstack.core.colour.light import convert_matrix
from lightstack.errors import MismatchedInput, MissingInput, SettingError
from lightstack.files.read.colour import BUILTIN_CONFIG
from lightstack.files.read.takes import open_take
from lightstack.files.write.plates import write_exr, write_png


def write_stills(folder, numbers, size=(9, 11)):
    rng = np.random.default_rng(4)
    folder.mkdir(exist_ok=True)
    pictures = {}
    for number in numbers:
        pictures[number] = rng.integers(0, 256, (*size, 3)).astype(np.uint8)
        write_png(folder / f"wall.{number:04d}.png", pictures[number])
    return pictures


@pytest.mark.parametrize("name", ["wall.1003.png", "wall.####.png", "wall.%04d.png", ""])
def test_stills_keep_their_numbers(tmp_path, name):
    pictures = write_stills(tmp_path / "stills", range(1003, 1009))
    with open_take(tmp_path / "stills" / name if name else tmp_path / "stills") as take:
        assert (take.info.first_frame, take.info.last_frame, take.info.kind) == (1003, 1008, "stills")
        got = {frame.number: take.linear(frame) for frame in take.frames()}
        assert [frame.number for frame in take.read_frames([1004, 1008])] == [1004, 1008]
        assert (take.decoded_count, take.run_in_count) == (8, 0)
    assert list(got) == list(pictures)
    for number, light in got.items():
        # REFERENCE  IEC 61966-2-1:1999 by colour-science 0.4.7, eotf_sRGB.
        # TOLERANCE  float32.
        np.testing.assert_allclose(
            light, colour.models.eotf_sRGB(pictures[number] / 255), rtol=1e-5, atol=1e-7
        )


def test_exr_stills_come_back_as_written(tmp_path):
    light = np.random.default_rng(5).normal(0.4, 1, (7, 5, 3)).astype(np.float16)
    write_exr(tmp_path / "plate.0010.exr", light.astype(np.float32), primaries="bt2020")
    with open_take(tmp_path / "plate.0010.exr") as take:
        assert (take.info.frame_count, take.info.first_frame) == (1, 10)
        frame = next(take.frames())
        np.testing.assert_array_equal(take.linear(frame), light.astype(np.float32))
        assert not take.clipped(frame).any()
        np.testing.assert_allclose(
            take.proxy(frame, 2).rgb[0, 0], light[:2, :2].astype(float).mean(axis=(0, 1)), rtol=1e-5
        )
    with open_take(tmp_path / "plate.0010.exr", working="bt709") as take:
        converted = take.linear(next(take.frames()))
    # TOLERANCE  float32 of values up to 4.
    np.testing.assert_allclose(
        converted, light.astype(float) @ convert_matrix("bt2020", "bt709").T, atol=2e-6
    )


def test_a_picture_of_one_pixel(tmp_path):
    write_png(tmp_path / "dot.png", np.full((1, 1, 3), 128, np.uint8))
    with open_take(tmp_path / "dot.png") as take:
        (frame,) = take.frames()
        # REFERENCE  IEC 61966-2-1:1999: code 128 of 255 is 0.215861 (colour-science 0.4.7).
        # TOLERANCE  float32.
        np.testing.assert_allclose(take.linear(frame), 0.215861, rtol=3e-6)
        assert take.proxy(frame, 1).rgb.shape == (1, 1, 3)


def test_a_list_is_one_take(tmp_path):
    first = write_clip(tmp_path / "a.mp4", moving_pictures(5), tags=TAGS_709)
    second = write_clip(
        tmp_path / "b.mkv", moving_pictures(9), tags=TAGS_709, gop=4, options={"sc_threshold": "0"}
    )
    with open_take([first, second], name="sweep") as take:
        info = take.info
        assert (info.first_frame, info.frame_count, len(info.paths)) == (1, 14, 2)
        assert any("a.mp4" in note and "frame 1" in note for note in info.notes)
        assert any("b.mkv" in note and "frame 6" in note for note in info.notes)
        frames = list(take.frames())
        assert [frame.number for frame in frames] == list(range(1, 15))
        across = list(take.read_frames([5, 6, 13]))
        assert [frame.number for frame in take.frames(4, 7)] == [4, 5, 6, 7]
        for frame in across:
            np.testing.assert_array_equal(take.linear(frame), take.linear(frames[frame.number - 1]))
    with open_take(second) as take:
        alone = list(take.frames())
    np.testing.assert_array_equal(alone[7].planes[0], frames[12].planes[0])


def test_a_list_of_different_sizes_is_refused(tmp_path):
    first = write_clip(tmp_path / "a.mp4", moving_pictures(2), tags=TAGS_709)
    second = write_clip(tmp_path / "b.mp4", moving_pictures(2, (32, 64)), tags=TAGS_709)
    with pytest.raises(MismatchedInput, match=r"b\.mp4: is 64 x 32"):
        open_take([first, second])
    with pytest.raises(MissingInput, match="names no file"):
        open_take([])


def test_frames_outside_the_take_are_named(tmp_path):
    path = write_clip(tmp_path / "a.mp4", moving_pictures(5), tags=TAGS_709)
    with open_take(path, name="hero") as take:
        with pytest.raises(
            SettingError, match=r"'hero' \(a.mp4\): frame 6 is not in it; it holds frames 1-5"
        ):
            take.frames(2, 6)
        with pytest.raises(SettingError, match="frame 0"):
            take.read_frames([0, 1])
        with pytest.raises(SettingError, match="ascend"):
            take.read_frames([3, 2])
        assert list(take.read_frames([])) == []


def test_unknown_settings_name_what_is_known(tmp_path):
    path = write_clip(tmp_path / "a.mp4", moving_pictures(2), tags=TAGS_709)
    with pytest.raises(SettingError, match="slog3"):
        open_take(path, colour="slog33")
    with pytest.raises(SettingError, match="full or limited"):
        open_take(path, range="wide")
    with pytest.raises(SettingError, match="bt2020"):
        open_take(path, matrix="bt202")
    with pytest.raises(SettingError, match="'45'"):
        open_take(path, rotate="45")
    with pytest.raises(SettingError, match="bt709"):
        open_take(path, working="bt-709")


def test_a_space_of_the_colour_configuration_decodes_through_it(tmp_path):
    # REFERENCE  OpenColorIO's own processor between two spaces of the pinned configuration.
    # TOLERANCE  its float32 and its rounded matrices: 1e-3 of the light.
    tags = {**TAGS_709, "color_range": 2}
    pictures = [flat_planes((16, 32), "yuv444p10le", (500, 540, 480))] * 2
    path = write_clip(tmp_path / "a.mkv", pictures, codec="ffv1", pixel_format="yuv444p10le", tags=tags)
    signal = colour.YCbCr_to_RGB(
        np.array([500, 540, 480]),
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_bits=10,
        in_legal=False,
        in_int=True,
        out_legal=False,
        out_int=False,
    )
    config = ocio.Config.CreateFromBuiltinConfig(BUILTIN_CONFIG)
    processor = config.getProcessor("S-Log3 S-Gamut3.Cine", "Linear Rec.709 (sRGB)").getDefaultCPUProcessor()
    expected = processor.applyRGB([float(value) for value in signal])
    with open_take(path, colour="S-Log3 S-Gamut3.Cine", working="bt709") as take:
        frame = next(take.frames())
        light = take.linear(frame)
        small = take.proxy(frame, 4)
    np.testing.assert_allclose(light[8, 8], expected, rtol=1e-3)
    np.testing.assert_allclose(small.rgb, light[::4, ::4], rtol=1e-5)


def test_times_follow_the_rate(tmp_path):
    path = write_clip(tmp_path / "a.mp4", moving_pictures(3), tags=TAGS_709)
    with open_take(path) as take:
        assert take.seconds_of(3) == Fraction(2002, 24000)
        assert [frame.seconds for frame in take.frames()] == [Fraction(1001 * i, 24000) for i in range(3)]


@pytest.mark.parametrize("turn", [0, -90, 180])
def test_light_goes_back_to_the_codes_it_came_from(tmp_path, turn):
    path = write_clip(tmp_path / "a.mp4", moving_pictures(2, (34, 50)), tags=TAGS_709, turn=turn)
    with open_take(path, working="bt2020") as take:
        frame = next(take.frames())
        light = take.linear(frame)
        again = take.code(frame, light)
        changed = np.zeros(light.shape[:2], bool)
        changed[3:9, 4:20] = True
        lit = take.code(frame, light + np.float32(0.2), changed=changed)
    for ours, own in zip(again.planes, frame.planes, strict=True):
        np.testing.assert_array_equal(ours, own)
    assert np.count_nonzero(lit.planes[0] != frame.planes[0]) == changed.sum()


def test_alpha_is_left_out_and_said(tmp_path):
    path = tmp_path / "a.mkv"
    planes = (*moving_pictures(1, chroma="444")[0], np.full((48, 64), 7, np.uint8))
    write_clip(path, [planes], codec="ffv1", pixel_format="yuva444p", tags=TAGS_709)
    with open_take(path) as take:
        assert any("alpha" in note for note in take.info.notes)
        (frame,) = take.frames()
    assert len(frame.planes) == 3
