"""Colour tags to names, and what is assumed without them."""

from dataclasses import replace

import pytest
from core_helpers import make_encoding

from lightstack.core.colour.light import CURVES, PRIMARIES
from lightstack.errors import SettingError, UnreadableInput
from lightstack.files.read.pixels import parse_layout
from lightstack.files.read.tags import ColourTags, name_encoding, resolve_named, write_tags

SAID_NOTHING = ColourTags(2, 2, 2, 0, "unspecified", "h264")


def name(tags, pixel_format="yuv420p10le", height=1080, **asked):
    wishes = {"colour": "auto", "range": "auto", "matrix": "auto", **asked}
    return name_encoding(tags, parse_layout(pixel_format), height, source="clip.mov", **wishes)


@pytest.mark.parametrize(
    "number, primaries, matrix_number, matrix, transfer_number, transfer",
    [
        # REFERENCE  ITU-T H.273 (2016-12), tables 2, 3 and 4.
        # TOLERANCE  none.
        (1, "bt709", 1, "bt709", 1, "bt709"),
        (5, "bt601_625", 5, "bt601", 6, "bt709"),
        (6, "bt601_525", 6, "bt601", 6, "bt709"),
        (9, "bt2020", 9, "bt2020", 14, "bt2020"),
        (9, "bt2020", 9, "bt2020", 18, "hlg"),
        (12, "p3d65", 1, "bt709", 13, "srgb"),
    ],
)
def test_numbers_are_named(number, primaries, matrix_number, matrix, transfer_number, transfer):
    tags = ColourTags(number, transfer_number, matrix_number, 1, "left", "h264")
    encoding = name(tags)
    assert (encoding.primaries, encoding.matrix, encoding.transfer) == (primaries, matrix, transfer)
    assert encoding.range == "limited"
    assert encoding.assumed == ()


def test_camera_footage_is_decoded_with_the_camera_curve():
    assert name(replace(SAID_NOTHING, transfer=1)).transfer == "bt709"  # not the curve of a display


def test_every_guess_is_said():
    encoding = name(SAID_NOTHING)
    assert len(encoding.assumed) == 4
    for word in ("matrix", "range", "transfer", "primaries"):
        assert any(word in line for line in encoding.assumed)


@pytest.mark.parametrize(
    "height, matrix", [(486, "bt601"), (576, "bt601"), (719, "bt601"), (720, "bt709"), (2160, "bt709")]
)
def test_the_usual_guess_by_lines(height, matrix):
    assert name(SAID_NOTHING, height=height).matrix == matrix


def test_layouts_speak_for_range_and_matrix():
    assert name(SAID_NOTHING, "yuvj420p").range == "full"
    assert name(SAID_NOTHING, "gbrp10le").range == "full"
    assert name(SAID_NOTHING, "gbrp10le").matrix == "rgb"
    assert name(SAID_NOTHING, "gray10le").range == "full"
    assert name(replace(SAID_NOTHING, range=1), "gray10le").range == "limited"


def test_chroma_location_defaults_by_codec():
    assert name(SAID_NOTHING).chroma_location == "left"
    assert name(replace(SAID_NOTHING, codec="mjpeg")).chroma_location == "center"
    odd = name(replace(SAID_NOTHING, chroma_location="bottom"))
    assert odd.chroma_location == "left"
    assert any("bottom" in line for line in odd.assumed)


def test_what_is_asked_for_wins():
    encoding = name(ColourTags(9, 16, 9, 1, "left", "hevc"), colour="vlog", range="full", matrix="bt709")
    assert (encoding.transfer, encoding.primaries) == ("vlog", "vgamut")
    assert (encoding.range, encoding.matrix) == ("full", "bt709")
    assert name(SAID_NOTHING, colour="slog3/bt2020").primaries == "bt2020"


def test_what_is_not_read_is_refused_with_the_remedy():
    for change, word in (
        ({"transfer": 9}, "curve"),
        ({"matrix": 14}, "matrix"),
        ({"primaries": 10}, "primaries"),
    ):
        with pytest.raises(UnreadableInput, match=word):
            name(replace(SAID_NOTHING, **change))
    with pytest.raises(UnreadableInput, match="export it"):
        name(replace(SAID_NOTHING, dynamic=True))
    assert name(replace(SAID_NOTHING, dynamic=True, transfer=18)).transfer == "hlg"


def test_unknown_names_get_the_nearest():
    with pytest.raises(SettingError, match="slog3"):
        name(SAID_NOTHING, colour="s-log-3")
    with pytest.raises(SettingError, match="bt2020"):
        resolve_named(make_encoding(), "bt709/bt202")


def test_tags_written_are_tags_read():
    for transfer in ("bt709", "srgb", "linear", "bt2020", "bt2020_12", "pq", "hlg", "gamma22"):
        for primaries in ("bt709", "bt2020", "p3d65", "bt601_525", "bt601_625"):
            assert transfer in CURVES
            assert primaries in PRIMARIES
            written = write_tags(make_encoding(transfer=transfer, primaries=primaries))
            tags = ColourTags(
                written["color_primaries"],
                written["color_trc"],
                written["colorspace"],
                written["color_range"],
                "left",
                "h264",
            )
            encoding = name(tags)
            assert (encoding.transfer, encoding.primaries, encoding.assumed) == (transfer, primaries, ())
    assert write_tags(make_encoding(transfer="slog3"))["color_trc"] == 2
