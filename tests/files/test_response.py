"""Response files: written and read back, refused in one line where they are broken or belong to other footage."""

import json

import numpy as np
import pytest
from clips import TAGS_709, flat_planes, write_clip
from core_helpers import make_encoding

from lightstack.cli.main import run
from lightstack.errors import LightstackError, MissingInput, SettingError, UnreadableInput
from lightstack.files.read.response import ResponseNotes, fit_encoding, read_response, write_response
from lightstack.files.read.takes import open_take
from lightstack.files.shot.shotfile import check_sweep, parse_shot
from lightstack.files.write.plates import write_png
from lightstack.records import MeasuredResponse

NOTES = ResponseNotes({"ambient": "dark.mov"}, "bt709", 0.08, 0.004)


def make_response(**changes):
    signals = np.linspace(-16 / 219, 239 / 219, 33)
    light = np.sign(signals) * np.abs(signals) ** 2
    return MeasuredResponse(
        **{
            "signals": tuple(signals),
            "light": tuple(light),
            "seen": (0.1, 0.9),
            "bit_depth": 8,
            "range": "limited",
            **changes,
        }
    )


@pytest.fixture
def path(tmp_path):
    write_response(tmp_path / "response.json", make_response(), NOTES)
    return tmp_path / "response.json"


def spoil(path, **changes):
    table = {**json.loads(path.read_text()), **changes}
    path.write_text(json.dumps({name: value for name, value in table.items() if value is not None}))


def test_a_response_comes_back_as_it_was_written(path):
    found, given = read_response(path), make_response()
    assert found.light == given.light and (found.bit_depth, found.range) == (8, "limited")
    # TOLERANCE  codes are written to a millionth.
    assert found.signals == pytest.approx(given.signals, abs=1e-6 / 219)
    assert found.seen == pytest.approx(given.seen, abs=0.01 / 219)
    table = json.loads(path.read_text())
    # REFERENCE  ITU-T H.273: limited range of 8 bits runs from 16 to 235; the codes themselves from 0 to 255
    assert table["code"][0] == pytest.approx(0, abs=1e-4) and table["code"][-1] == pytest.approx(255, abs=1e-4)
    assert table["worst_error_percent"] == {"before": 8.0, "after": 0.4}


@pytest.mark.parametrize(
    "changes, error, words",
    [
        ({"light": [0, 0.1, 0.1, 0.4], "code": [0, 80, 160, 255]}, SettingError, "does not rise from code 80 to 160"),
        ({"light": [0, 0.3, 0.2, 0.4], "code": [0, 80, 160, 255]}, SettingError, "does not rise from code 80 to 160"),
        ({"light": [0, 1, 2, 3], "code": [0, 80, 80, 255]}, SettingError, "codes do not rise"),
        ({"light": [0, 1, 2, 3], "code": [0, 80, 160, 300]}, SettingError, "beyond 8 bit"),
        ({"light": [0, 1, 2]}, UnreadableInput, "list of 4 or more numbers"),
        ({"light": [0, 1, 2, 3]}, UnreadableInput, "33 codes and 4 lights"),
        ({"light": [0, 1, 2, "x"]}, UnreadableInput, "holds 'x'"),
        ({"light": [0, 1, 2, float("nan")]}, UnreadableInput, "numbers were expected"),
        ({"light": [0, 1, 2, 10**400]}, UnreadableInput, "numbers were expected"),
        ({"code": None}, UnreadableInput, "code was expected"),
        ({"bit_depth": "8"}, UnreadableInput, "bit_depth is '8'"),
        ({"bit_depth": 7}, UnreadableInput, "from 8 to 16"),
        ({"range": "video"}, UnreadableInput, '"full" or "limited"'),
        ({"measured_codes": [200, 20]}, UnreadableInput, "measured_codes"),
    ],
)
def test_a_broken_response_is_refused_in_one_line(path, changes, error, words):
    spoil(path, **changes)
    with pytest.raises(error) as caught:
        read_response(path)
    line = str(caught.value)
    assert words in line and str(path) in line and "\n" not in line


@pytest.mark.parametrize("text", ["", "{", "[1, 2]", "\0\1\2", "[" * 100_000])
def test_what_is_no_response_is_refused(path, text):
    path.write_text(text)
    with pytest.raises(UnreadableInput, match="is not a response"):
        read_response(path)


def test_a_response_that_is_not_there_or_a_folder(tmp_path):
    with pytest.raises(MissingInput, match="no such response"):
        read_response(tmp_path / "none.json")
    with pytest.raises(UnreadableInput):
        read_response(tmp_path)


@pytest.mark.parametrize("changes", [{"bit_depth": 10}, {"range": "full"}, {"is_float": True}])
def test_other_footage_is_refused(path, changes):
    with pytest.raises(SettingError, match=r"take\.mov"):
        fit_encoding(make_encoding(**{"bit_depth": 8, **changes}), path, source="take.mov")


def test_a_movie_is_read_by_its_response(path, tmp_path):
    clip = write_clip(
        tmp_path / "grey.mkv", [flat_planes((16, 16), "yuv444p", (126, 128, 128))] * 2,
        codec="ffv1", pixel_format="yuv444p", tags=TAGS_709,
    )  # fmt: skip
    with open_take(clip, colour="measured", response=path) as take:
        light = take.linear(next(take.frames()))
        encoding = take.info.encoding
    # REFERENCE  ITU-T H.273: code 126 is signal (126 - 16) / 219; the response written here is its square.
    # TOLERANCE  the square through 33 points, as cubics: 1e-4
    assert light == pytest.approx(((126 - 16) / 219) ** 2, abs=1e-4)
    assert encoding.transfer == "bt709" and encoding.primaries == "bt709" and not encoding.assumed


def test_stills_are_read_by_their_response(tmp_path):
    response = make_response(range="full", signals=(0.0, 0.3, 0.6, 1.0), light=(0.0, 0.2, 0.5, 1.0), seen=(0.0, 1.0))
    write_response(tmp_path / "response.json", response, NOTES)
    write_png(tmp_path / "still.0001.png", np.full((8, 8, 3), 153, np.uint8))
    with open_take(tmp_path / "still.####.png", colour="measured", response=tmp_path / "response.json") as take:
        light = take.linear(next(take.frames()))
    assert light == pytest.approx(0.5, abs=1e-5)  # code 153 of 255 is signal 0.6
    with pytest.raises(SettingError, match="limited range, but"):
        open_take(
            tmp_path / "still.####.png", colour="measured", response=tmp_path / "response.json", range="limited"
        )


SHOT = """
[takes.hero]
path = "hero.mov"
{}

[[sweep]]
path = "sweep.mov"
colour = "measured"
response = "look/response.json"
"""


def test_a_shot_file_names_its_response_beside_itself(tmp_path):
    settings = parse_shot(SHOT.format(""), tmp_path / "shot.toml")
    assert settings.sweep[0].response_path == tmp_path / "look" / "response.json"
    assert settings.takes.hero.response_path is None
    used = settings.sweep[0].model_copy(update={"use": (1, 2)})
    assert used.response_path == tmp_path / "look" / "response.json"


@pytest.mark.parametrize(
    "line, words",
    [('colour = "measured"', "needs response"), ('response = "r.json"', 'has a response, but colour = "auto"')],
)
def test_colour_and_response_go_together(tmp_path, line, words):
    with pytest.raises(SettingError, match=words) as caught:
        parse_shot(SHOT.format(line), tmp_path / "shot.toml")
    assert "[takes] hero" in str(caught.value) and "line 2" in str(caught.value)
    key, value = line.split(" = ")
    with pytest.raises(SettingError, match=words):
        check_sweep({"path": ["a.mov"], key: value.strip('"')})


@pytest.mark.parametrize("words", [["plate", "a.mov", "-o", "out"], ["clean", "a.mov", "-o", "a.exr"]])
def test_the_command_line_says_what_is_missing(words, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.mov").write_bytes(b"")
    assert run([*words, "--colour", "measured"]) == 1
    told = capsys.readouterr().err.strip()
    assert "response" in told and "\n" not in told


def test_a_take_without_its_response_is_refused(tmp_path):
    clip = write_clip(tmp_path / "a.mkv", [flat_planes((16, 16), "yuv420p", (90, 128, 128))], codec="ffv1")
    with pytest.raises(LightstackError, match="needs a response"):
        open_take(clip, colour="measured")
