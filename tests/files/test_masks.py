"""Masks read from pictures."""

import cv2
import numpy as np
import OpenEXR
import pytest

from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.read.masks import find_masks, read_mask

SIZE = (12, 16)


@pytest.fixture
def ramp():
    return np.linspace(0, 1, SIZE[0] * SIZE[1]).reshape(SIZE)


@pytest.mark.parametrize("depth, top", [(np.uint8, 255), (np.uint16, 65535)])
def test_a_png_is_read_as_it_is_stored(depth, top, ramp, tmp_path):
    cv2.imwrite(str(tmp_path / "m.png"), np.round(ramp * top).astype(depth))
    # REFERENCE  OpenCV wrote it. TOLERANCE  half a code; no curve lies between.
    np.testing.assert_allclose(read_mask(tmp_path / "m.png", SIZE), ramp, atol=0.6 / top)


def test_alpha_is_read_where_there_is_one_that_says_something(ramp, tmp_path):
    codes = np.round(ramp * 255).astype(np.uint8)
    flat = np.full(SIZE, 255, np.uint8)
    cv2.imwrite(str(tmp_path / "alpha.png"), np.dstack([flat, flat, flat, codes]))
    cv2.imwrite(str(tmp_path / "plain.png"), np.dstack([codes, codes, codes, flat]))
    for name in ("alpha", "plain"):
        np.testing.assert_allclose(read_mask(tmp_path / f"{name}.png", SIZE), ramp, atol=0.003)


def test_an_exr_is_cut_to_0_to_1_and_may_not_hold_nan(ramp, tmp_path):
    for name, value in (("over", 3.0), ("nan", np.nan)):
        light = ramp.astype(np.float32)
        light[0, 0] = value
        header = {"compression": OpenEXR.ZIP_COMPRESSION, "type": OpenEXR.scanlineimage}
        OpenEXR.File(header, {"Y": light}).write(str(tmp_path / f"{name}.exr"))
    mask = read_mask(tmp_path / "over.exr", SIZE)
    assert mask[0, 0] == 1 and mask.dtype == np.float32
    np.testing.assert_allclose(mask.ravel()[1:], ramp.ravel()[1:], atol=1e-6)
    with pytest.raises(UnreadableInput, match="NaN"):
        read_mask(tmp_path / "nan.exr", SIZE)


def test_a_mask_of_another_size_or_none_at_all_is_told(ramp, tmp_path):
    cv2.imwrite(str(tmp_path / "m.png"), np.round(ramp * 255).astype(np.uint8))
    with pytest.raises(MismatchedInput, match="is 16 x 12, the hero is 64 x 32"):
        read_mask(tmp_path / "m.png", (32, 64))
    with pytest.raises(MissingInput):
        read_mask(tmp_path / "n.png", SIZE)
    (tmp_path / "empty.png").touch()
    (tmp_path / "text.exr").write_text("dear all")
    for name in ("empty.png", "text.exr"):
        with pytest.raises(UnreadableInput, match="not a readable mask"):
            read_mask(tmp_path / name, SIZE)


def test_a_sequence_is_numbered_by_shot_frames(ramp, tmp_path):
    for frame in (1001, 1002, 1004):
        cv2.imwrite(str(tmp_path / f"m.{frame}.png"), np.zeros(SIZE, np.uint8))
    found = find_masks(tmp_path / "m.####.png")
    assert found.numbered and found.path_at(1002).name == "m.1002.png"
    with pytest.raises(MissingInput, match="no mask for shot frame 1003, it holds 1001 to 1004"):
        found.path_at(1003)
    one = find_masks(tmp_path / "m.1001.png")
    assert not one.numbered and one.path_at(77).name == "m.1001.png"
    for name in ("x.png", "x.####.png"):
        with pytest.raises(MissingInput):
            find_masks(tmp_path / name)


def test_a_sign_of_numbers_in_the_name_of_a_file_that_is_there_is_no_pattern(tmp_path):
    path = tmp_path / "half_50%.png"
    cv2.imwrite(str(path), np.zeros(SIZE, np.uint8))
    assert find_masks(path).paths == {None: path}


def write_channels(path, channels, *, window=None):
    """Write an EXR of named float channels; ``window``: (left, top, W, H) of the whole picture that it is part of."""
    import OpenImageIO as oiio

    height, width = next(iter(channels.values())).shape
    spec = oiio.ImageSpec(width, height, len(channels), "float")
    spec.channelnames = list(channels)
    if window is not None:
        spec.x, spec.y, spec.full_width, spec.full_height = window
    out = oiio.ImageOutput.create(str(path))
    assert out.open(str(path), spec) and out.write_image(np.dstack(list(channels.values())))
    out.close()


def test_any_channel_can_be_asked_for_by_name(ramp, tmp_path):
    write_channels(tmp_path / "m.exr", {"figure.A": ramp, "Z": 1 - ramp, "R": 0 * ramp})
    np.testing.assert_allclose(read_mask(tmp_path / "m.exr", SIZE, channel="Z"), 1 - ramp, atol=1e-6)
    np.testing.assert_allclose(read_mask(tmp_path / "m.exr", SIZE, channel="FIGURE.a"), ramp, atol=1e-6)
    with pytest.raises(MismatchedInput, match=r"m\.exr: has no channel G; it has .*Z"):
        read_mask(tmp_path / "m.exr", SIZE, channel="G")


def test_an_exr_that_stores_part_of_its_picture_is_put_in_its_place(ramp, tmp_path):
    # REFERENCE  OpenEXR: the data window lies anywhere within, or beyond, the display window.
    part = ramp[2:7, 3:9]
    write_channels(tmp_path / "part.exr", {"A": part}, window=(3, 2, SIZE[1], SIZE[0]))
    mask = read_mask(tmp_path / "part.exr", SIZE)
    np.testing.assert_allclose(mask[2:7, 3:9], part, atol=1e-6)
    mask[2:7, 3:9] = 0
    assert not mask.any()


def test_the_nearest_picture_serves_a_frame_that_has_none(tmp_path):
    for frame in (1001, 1002, 1006):
        cv2.imwrite(str(tmp_path / f"m.{frame}.png"), np.zeros(SIZE, np.uint8))
    found = find_masks(tmp_path / "m.####.png")
    assert [found.nearest(f)[0] for f in (900, 1002, 1004, 1005, 1200)] == [1001, 1002, 1002, 1006, 1006]
    assert found.span == (1001, 1006)
    one = find_masks(tmp_path / "m.1001.png")
    assert one.nearest(5) == (None, tmp_path / "m.1001.png") and one.span is None
