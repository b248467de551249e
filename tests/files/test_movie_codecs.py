"""Which codec holds which hero."""

import pytest
from core_helpers import make_encoding

from lightstack.errors import SettingError
from lightstack.files.write import movie_writer
from lightstack.files.write.movie_codecs import choose_codec

HD = (1080, 1920)


@pytest.mark.parametrize(
    "changes, name, depth, chroma",
    [
        ({"bit_depth": 8}, "ffv1", 10, "420"),
        ({}, "ffv1", 10, "420"),
        ({"bit_depth": 8, "range": "full"}, "ffv1", 8, "420"),  # 8-bit full range has no exact codes at 10 bits
        ({"chroma": "422"}, "prores", 10, "422"),
        ({"chroma": "422", "bit_depth": 8}, "prores", 10, "422"),
        ({"chroma": "422", "matrix": "bt2020", "transfer": "hlg", "primaries": "bt2020"}, "prores", 10, "422"),
        ({"chroma": "422", "range": "full"}, "dnxhr", 10, "422"),
        ({"chroma": "422", "range": "full", "matrix": "bt2020"}, "ffv1", 10, "422"),
        ({"chroma": "422", "bit_depth": 12}, "ffv1", 12, "422"),
        ({"chroma": "422", "chroma_location": "center"}, "ffv1", 10, "422"),  # only FFV1's file says where it lies
        ({"chroma": "444"}, "prores", 10, "444"),
        ({"chroma": "444", "bit_depth": 12}, "ffv1", 12, "444"),
        ({"chroma": "444", "matrix": "rgb", "range": "full"}, "dnxhr", 10, "444"),
        ({"chroma": "444", "matrix": "rgb", "range": "full", "bit_depth": 8}, "ffv1", 8, "444"),
        ({"chroma": "444", "matrix": "rgb", "range": "full", "bit_depth": 16}, "ffv1", 16, "444"),
        ({"chroma": "grey", "range": "full"}, "ffv1", 10, "grey"),
    ],
)
def test_auto_keeps_sampling_and_every_code(changes, name, depth, chroma):
    found = choose_codec(make_encoding(**changes), size=HD)
    assert (found.name, found.encoding.bit_depth, found.encoding.chroma) == (name, depth, chroma)
    assert found.exact and found.suffix == (".mkv" if name == "ffv1" else ".mov")


def test_a_named_codec_says_what_it_changes():
    found = choose_codec(make_encoding(bit_depth=8), "prores", size=HD)
    assert (found.encoding.bit_depth, found.encoding.chroma, found.exact) == (10, "422", False)
    assert "4:2:0 to 4:2:2" in found.notes[0] and "exactly" in found.notes[1]
    centred = choose_codec(make_encoding(bit_depth=8, chroma_location="center"), "prores", size=HD)
    assert centred.encoding.chroma == "444"  # ProRes 422 lies on the luma samples
    full = choose_codec(make_encoding(bit_depth=8, range="full"), "dnxhr", size=HD)
    assert "to the nearest code" in full.notes[1]


@pytest.mark.parametrize(
    "changes, codec, match",
    [
        ({"range": "full"}, "prores", "limited range only.*ffv1 holds"),
        ({"matrix": "rgb", "chroma": "444"}, "prores", "Y'CbCr only"),
        ({"chroma": "444", "bit_depth": 12}, "prores", "10 bits, the hero has 12"),
        ({"matrix": "bt2020"}, "dnxhr", "BT.709 matrix"),
        ({"chroma": "grey"}, "dnxhr", "grey"),
        ({}, "cinepak", "expected auto, prores, dnxhr, ffv1"),
    ],
)
def test_what_a_codec_does_not_hold_is_one_line(changes, codec, match):
    with pytest.raises(SettingError, match=match) as caught:
        choose_codec(make_encoding(**changes), codec, size=HD)
    assert "\n" not in str(caught.value)
    with pytest.raises(SettingError, match="even width"):
        choose_codec(make_encoding(chroma="422"), "prores", size=(1080, 1919))
    with pytest.raises(SettingError, match="256 x 120"):
        choose_codec(make_encoding(chroma="422"), "dnxhr", size=(48, 64))


def test_a_codec_that_is_not_in_this_build(monkeypatch):
    lacking = {**movie_writer._ENCODERS, "prores": ("no_such_encoder", "no_such_encoder", {})}
    monkeypatch.setattr(movie_writer, "_ENCODERS", lacking)
    encoding = make_encoding(chroma="422")
    with pytest.raises(SettingError, match=r"'prores' is not in the installed build.*ffv1.*dnxhr"):
        choose_codec(encoding, "prores", size=HD)
    assert choose_codec(encoding, size=HD).name == "dnxhr"
    assert choose_codec(encoding, size=(48, 64)).name == "ffv1"
