"""The shot file: what is accepted, what is refused and in which words, and that a rewrite keeps comments."""

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lightstack.errors import LightstackError, MissingInput, OutputError, SettingError, UnreadableInput
from lightstack.files.shot.schema import Block, ShotSettings
from lightstack.files.shot.schema_types import check_rate, split_source_frame
from lightstack.files.shot.shotfile import (
    check_sweep,
    clean_name,
    parse_shot,
    read_shot,
    update_shot,
    write_new_shot,
)

WHOLE = """\
# a shot with everything in it
[shot]
name = "cellar"
frames = [1010, 1090]
first_frame = 1001
handles = 4
rate = "24000/1001"   # as filmed
version = 3
out = "made"
working = "hero"
reference = 1020

[takes.hero]
path = "hero.mov"
colour = "slog3"
range = "limited"
matrix = "bt709"
rotate = 180

[takes.empty]
path = "empty/empty.####.exr"
stops = -0.5
white = [1.1, 1.0, 0.9]
use = [10, 40]

[takes.empty_lit]
path = "empty_lit.mov"

[[sweep]]
name = "violet"
path = ["a.mov", "b.mov"]
combine = "softmax"
by = "channel"
coverage = 0.99  # fewer keys
max_keys = 12
hold_exposure = true
keys = [34, "2:7"]
exclude = [3, [40, 60], ["2:1", "2:9"]]
glints = "one"
even = 0.5
floor_sigma = 1.5
model = "euclidean"
block = [
  { frames = [30, 44], polygon = [[0, 0], [10.5, 0], [10.5, 20]] },  # the arm
  { frames = [50, 70], shapes = [
      { frame = 50, polygon = [[0, 0], [4, 0], [4, 4]] },
      { frame = 60, polygon = [[10, 0], [14, 0], [14, 4]] },
  ], clear = true },
]

[sweep.trim]
123 = { gain = 0.5, gel = [1, 0.5, 0] }
"2:7" = { mask = [[0, 0], [10, 0], [10, 10]] }

[[sweep]]
path = "green.mov"

[[light]]
from = "violet"
gel = [0.8, 0.2, 1.0]
lay = "screen"

[light.mix]
unit = "stops"
points = [[1010, "off", "exponential"], [1030, 0.5, "hold"], [1060, -1], [1090, "off"]]

[[light]]
from = "sweep_2"
name = "second"

[light.mix]
envelope = { start = 1015, attack = 10, hold = 5, decay = 20 }

[preview]
view = "hero"
frames = [1010, 1030, 1090]
quality = 20
"""
SMALL = '[takes.hero]\npath = "hero.mov"\n\n[[sweep]]\npath = "s.mov"\n\n[[light]]\n'


def refuse(text: str, path: Path = Path("x/shot.toml")) -> str:
    with pytest.raises(SettingError) as caught:
        parse_shot(text, path)
    line = str(caught.value)
    assert "\n" not in line
    return line


def last_before(text: str, words: str, place: int) -> int:
    """Where ``words`` stand last before a place, or else first after it."""
    found = text.rfind(words, 0, place + len(words))
    return found if found >= 0 else text.index(words)


def test_everything_is_read_as_written():
    settings = parse_shot(WHOLE, Path("films/cellar/shot.toml"))
    assert settings.shot.rate == Fraction(24000, 1001)
    assert settings.shot.frames == (1010, 1090)
    assert settings.out == Path("films/cellar/made")
    assert settings.takes.hero is not None
    assert settings.takes.hero.rotate == 180
    assert settings.takes.empty is not None
    assert settings.take_paths(settings.takes.empty) == (Path("films/cellar/empty/empty.####.exr"),)
    assert settings.takes.empty.white == (1.1, 1.0, 0.9)
    violet, green = settings.sweep
    assert settings.take_paths(violet) == (Path("films/cellar/a.mov"), Path("films/cellar/b.mov"))
    assert violet.keys == (34, "2:7")
    assert violet.exclude == ((3, 3), (40, 60), ("2:1", "2:9"))
    assert violet.trim["123"].gel == (1.0, 0.5, 0.0)
    assert violet.trim["2:7"].mask == ((0, 0), (10, 0), (10, 10))
    assert green.name == "sweep_2"
    assert settings.find_sweep("sweep_2") is green
    first, second = settings.light
    assert first.name == "violet"
    assert first.mix.curve_points == (
        (1010, "off", "exponential"),
        (1030, 0.5, "hold"),
        (1060, -1.0, "smooth"),
        (1090, "off", "smooth"),
    )
    assert second.mix.envelope is not None
    assert second.mix.envelope.attack == 10
    assert second.mix.peak_level == 1.0
    assert settings.preview.frames == (1010, 1030, 1090)


def test_defaults_come_where_nothing_is_written():
    settings = parse_shot(SMALL, Path("films/old barn/shot.toml"))
    assert settings.shot.name == "old_barn"
    assert (settings.shot.first_frame, settings.shot.handles, settings.shot.version) == (1001, 0, 1)
    assert settings.sweep[0].coverage == 0.995
    assert settings.sweep[0].max_keys == 64
    assert settings.light[0].source == "sweep"
    assert settings.light[0].lay == "plus"
    assert settings.light[0].mix.curve_points == ((0, 1.0, "smooth"),)
    assert settings.preview.view == "hero"
    assert parse_shot(SMALL, Path("films/barn_night.toml")).shot.name == "barn_night"


def test_settings_are_frozen_and_go_through_json():
    settings = parse_shot(WHOLE, Path("shot.toml"))
    with pytest.raises(Exception, match="frozen"):
        settings.shot.version = 4  # type: ignore[misc]
    plain = settings.model_dump(mode="json", by_alias=True)
    assert plain["shot"]["rate"] == "24000/1001"
    assert plain["sweep"][0]["exclude"] == [[3, 3], [40, 60], ["2:1", "2:9"]]
    assert plain == parse_shot(WHOLE, Path("elsewhere/shot.toml")).model_dump(mode="json", by_alias=True)


@pytest.mark.parametrize(
    ("before", "after", "where", "said"),
    [
        (
            "coverage = 0.99",
            "covrage = 0.99",
            None,
            "covrage is unknown; the nearest valid key is coverage",
        ),
        ("max_keys = 12", "maxkeys = 12", None, "the nearest valid key is max_keys"),
        ("handles = 4", "coverage = 1", None, "[shot] coverage is unknown here; it belongs in [[sweep]]"),
        ("handles = 4", "xyzzyx = 1", None, "valid keys are first_frame, frames, handles"),
        ("[preview]", "[preveiw]", None, "[preveiw] is unknown; the nearest valid key is preview"),
        ("[takes.empty_lit]", "[takes.emtpy_lit]", None, "the nearest valid key is empty_lit"),
        ("polygon = [[0, 0], [10.5", "polgon = [[0, 0], [10.5", None, "block.polgon is unknown"),
        ("{ gain = 0.5", "{ gian = 0.5", None, "trim.123.gian is unknown; the nearest valid key is gain"),
        ('from = "violet"', 'from = "voilet"', None, "there is no such sweep; the nearest is violet"),
        (
            'name = "violet"',
            'name = "purple"',
            'from = "violet"',
            "no such sweep; there are purple, sweep_2",
        ),
        ('name = "second"', 'name = "violet"', None, "is used twice"),
        ('name = "second"', 'name = "a/b"', None, "letters, digits"),
        ('name = "second"', "name = 7", None, "expected text in quotation marks"),
        ('lay = "screen"', 'lay = "add"', None, "expected one of plus, screen"),
        ('combine = "softmax"', 'combine = "softmx"', None, "the nearest is softmax"),
        ("coverage = 0.99", "coverage = 0", None, "must be more than 0"),
        ("coverage = 0.99", "coverage = 1.01", None, "must be at most 1"),
        ("coverage = 0.99", 'coverage = "0.99"', None, "expected a number"),
        ("coverage = 0.99", "coverage = nan", None, "finite"),
        ("max_keys = 12", "max_keys = 12.0", None, "expected a whole number"),
        ("max_keys = 12", "max_keys = true", None, "expected a whole number"),
        ("hold_exposure = true", "hold_exposure = 1", None, "expected true or false"),
        ("even = 0.5", "even = -0.1", None, "must be at least 0"),
        ("floor_sigma = 1.5", "floor_sigma = -1", None, "must be at least 0"),
        ('keys = [34, "2:7"]', 'keys = [34, "two"]', None, 'such as 34, or "2:34"'),
        ("[40, 60]", "[60, 40]", None, "must run forwards"),
        ('["2:1", "2:9"]', '["2:1", 9]', None, "must run forwards"),
        ("[[0, 0], [4, 0], [4, 4]]", "[[0, 0], [4, 0]]", None, "three or more corners"),
        (
            "[[0, 0], [4, 0], [4, 4]]",
            "[[0, 0], [4, 0], [4, 4], [0, 4]]",
            "{ frames = [50, 70]",
            "same number of corners",
        ),
        ("123 = { gain", '"12x" = { gain', "[sweep.trim]", 'trim "12x": expected a source frame'),
        ('rate = "24000/1001"', "rate = 23.976", None, '"24000/1001"'),
        ('rate = "24000/1001"', "rate = 29.97", None, '"30000/1001"'),
        ('rate = "24000/1001"', 'rate = "24/0"', None, "frames per second"),
        ('rate = "24000/1001"', "rate = 0", None, "frames per second"),
        ("version = 3", "version = 0", None, "must be at least 1"),
        ("frames = [1010, 1090]", "frames = [1090, 1010]", None, "must run forwards"),
        ("frames = [1010, 1090]", "frames = [900, 1090]", None, "before the hero's first frame 1001"),
        (
            "frames = [1010, 1030, 1090]",
            "frames = [1010, 1091]",
            None,
            "1091, outside the shot's frames",
        ),
        ("rotate = 180", "rotate = 45", None, "expected one of auto, 0, 90, 180, 270"),
        ("white = [1.1, 1.0, 0.9]", "white = [1.1, 0, 0.9]", None, "must be above 0"),
        ('path = "green.mov"', 'colour = "auto"', "[[sweep]]", "path is missing and required"),
        ('path = "green.mov"', "path = []", None, "expected a path"),
        ("[1030, 0.5", "[1010, 0.5", None, "frames must ascend, but 1010 follows 1010"),
        ("[1030, 0.5", "[1030, 99", "[light.mix]", 'for no light write "off"'),
        ('unit = "stops"', 'unit = "gain"', "[light.mix]", "a gain is 0 or more, not -1"),
        ('1030, 0.5, "hold"', '1030, 0.5, "bounce"', None, "hold, linear, smooth, ease, exponential"),
        (
            "envelope = {",
            "points = [[1, 1]]\nenvelope = {",
            "[light.mix]",
            "only one of points, envelope",
        ),
    ],
)
def test_what_is_wrong_is_named_with_its_line(before, after, where, said):
    start = WHOLE.index(before)
    text = WHOLE[:start] + after + WHOLE[start + len(before) :]
    place = start if where is None else last_before(text, where, start)
    told = refuse(text)
    assert said in told
    assert told.startswith(f"x/shot.toml, line {text.count(chr(10), 0, place) + 1}: "), told


def test_sections_of_later_versions_are_known_by_name(monkeypatch):
    monkeypatch.setattr("lightstack.files.shot.shot_errors.LATER_SECTIONS", {"tides": "the sea"})
    told = refuse(f"{SMALL}[tides]\nanything = 1\n")
    assert told.startswith("x/shot.toml, line 8: [tides] is not available yet in this version (the sea)")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[sweep]\npath = "a.mov"\n', "write [[sweep]] with two brackets"),
        ('[light]\nfrom = "a"\n', "write [[light]] with two brackets"),
        ("sweep = 3\n", "is a list: write [[sweep]]"),
        ("takes = 3\n", "a section of keys"),
        ('[takes]\nhero = "x.mov"\n', "line 2: [takes] hero is a section of keys"),
        ("[shot]\nrate =\n", "line 2: is not valid TOML"),
        ("[shot]\nrate = 24\nrate = 25\n", "is not valid TOML"),
        ('[[light]]\nfrom = "a"\n', "there is no such sweep"),
        (
            '[takes.hero]\npath = "h"\n[[sweep]]\npath = "a"\n[[light]]\nlay = "screen"\n'
            '[[light]]\nname = "b"\nlay = "screen"\nscreen_white = 2\n',
            "screen_white = 2 differs from 1 of light sweep; screened lights share one",
        ),
        ('[[sweep]]\npath = "s.mov"\n[[light]]\n', "needs [takes.hero]"),
        ("a = " + "[" * 5000, "nested too deeply"),
    ],
)
def test_a_wrong_shape_is_told_in_one_line(text, said):
    assert said in refuse(text)


def test_files_that_are_no_shot_file(tmp_path):
    with pytest.raises(MissingInput, match="no such shot file"):
        read_shot(tmp_path / "shot.toml")
    (tmp_path / "shot.toml").write_text(SMALL)
    with pytest.raises(MissingInput, match=r"did you mean shot\.toml"):
        read_shot(tmp_path / "shott.toml")
    with pytest.raises(UnreadableInput, match="is a folder"):
        read_shot(tmp_path)
    binary = tmp_path / "movie.toml"
    binary.write_bytes(b"ok = 1\n\xff\xfe\x00")
    with pytest.raises(UnreadableInput, match="line 2: is not UTF-8"):
        read_shot(binary)
    for name, data in (("small.mov", b"\x00\xff" * 9), ("large.mov", b"\x00" * (1 << 22))):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(UnreadableInput, match=rf"{name}: is no shot file, .*name the \.toml") as told:
            read_shot(tmp_path / name)
        assert "LIGHTSTACK_" not in str(told.value)  # nobody means to raise the limit for a movie
    with binary.open("wb") as stream:
        stream.truncate(9 * 2**20)
    with pytest.raises(UnreadableInput, match="too large"):
        read_shot(binary)


def test_byte_order_mark_and_line_ends_of_other_systems(tmp_path):
    path = tmp_path / "shot.toml"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.replace("\n", "\r\n").encode())
    assert read_shot(path).model_dump() == parse_shot(WHOLE, path).model_dump()


def test_a_rewrite_keeps_comments_and_order(tmp_path):
    path = tmp_path / "shot.toml"
    path.write_text(WHOLE)
    settings = update_shot(
        path,
        {
            "shot.version": 4,
            "sweep.0.coverage": 0.98,
            "light.1.mix.envelope.hold": 7,
            "light.0.mix.points": [[1010, "off"], [1090, 0.0]],
            "preview.quality": None,
            "sweep.0.trim.123.gain": 0.25,
        },
    )
    changed = path.read_text()
    assert settings.shot.version == 4
    assert settings.preview.quality == 18
    assert settings.sweep[0].trim["123"].gain == 0.25
    assert read_shot(path) == settings
    for comment in ("# a shot with everything in it", "# as filmed", "# fewer keys", "# the arm"):
        assert comment in changed
    kept = [line for line in WHOLE.splitlines() if line in changed.splitlines()]
    assert len(kept) >= len(WHOLE.splitlines()) - 6
    # REFERENCE  the standard library's own TOML reader reads the rewritten file.
    assert tomllib.loads(changed)["sweep"][0]["coverage"] == 0.98


def test_a_rewrite_makes_sections_and_refuses_what_is_invalid(tmp_path):
    path = tmp_path / "shot.toml"
    path.write_text(SMALL)
    assert update_shot(path, {"preview.quality": 30}).preview.quality == 30
    before = path.read_bytes()
    for changes in (
        {"shot.version": 0},
        {"sweep.5.coverage": 0.5},
        {"sweep.coverage": 1},
        {"shot.name.x": 1},
        {"sweep.0.covrage": 0.5},
        {"grain.size": 1},
    ):
        with pytest.raises(SettingError):
            update_shot(path, changes)
        assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["shot.toml"]


def test_a_new_shot_file_never_overwrites(tmp_path):
    path = tmp_path / "shot.toml"
    write_new_shot(path, SMALL)
    with pytest.raises(OutputError, match="never overwritten"):
        write_new_shot(path, "")
    assert path.read_text() == SMALL


def test_command_line_options_are_checked_as_keys():
    assert check_sweep({"path": ["a.mov"], "coverage": 0.9}).coverage == 0.9
    for options, said in (
        ({"coverage": 3}, "--coverage = 3: must be at most 1"),
        ({"max_keys": 0}, "--max-keys = 0: must be at least 1"),
        ({"combine": "mux"}, '--combine = "mux": expected one of max'),
        ({"keys": (1, "b")}, "--keys"),
    ):
        with pytest.raises(SettingError) as caught:
            check_sweep({"path": ["a.mov"], **options})
        assert str(caught.value).startswith(said)


def test_moving_blocks_are_interpolated():
    shapes = parse_shot(WHOLE, Path("shot.toml")).sweep[0].block[1]
    corners = shapes.corners_at(55, lambda frame: int(frame))
    assert corners.tolist() == [[5, 0], [9, 0], [9, 4]]  # half-way
    assert shapes.corners_at(1, int).tolist() == [[0, 0], [4, 0], [4, 4]]
    assert shapes.corners_at(99, int).tolist() == [[10, 0], [14, 0], [14, 4]]
    still = Block.model_validate({"frames": (1, 2), "polygon": ((0, 0), (1, 0), (1, 1))})
    assert still.corners_at(7, int).tolist() == [[0, 0], [1, 0], [1, 1]]


def test_rates_are_exact():
    # REFERENCE  SMPTE ST 12-1 names the rates 24/1.001, 30/1.001 and 60/1.001 (from memory).
    for text, value in (("24000/1001", 24 / 1.001), ("30000/1001", 30 / 1.001), ("60000/1001", 60 / 1.001)):
        assert float(check_rate(text)) == pytest.approx(value, rel=1e-15)
    assert check_rate(25) == 25
    assert check_rate("25") == 25


def test_names_for_file_names():
    assert clean_name("Müller's attic / night") == "M_ller_s_attic_night"
    assert clean_name("...") == "shot"


@given(st.integers(1, 99), st.integers(0, 10**7))
def test_source_frames_split(file, frame):
    assert split_source_frame(f"{file}:{frame}") == (file, frame)
    assert split_source_frame(frame) == (None, frame)


@given(st.text(max_size=60), st.integers(0, len(WHOLE)), st.integers(0, 40))
def test_any_damage_gives_settings_or_one_line(junk, start, length):
    text = WHOLE[:start] + junk + WHOLE[start + length :]
    try:
        assert isinstance(parse_shot(text, Path("shot.toml")), ShotSettings)
    except LightstackError as error:
        assert str(error).startswith("shot.toml")
        assert len(str(error).splitlines()) == 1


@given(
    st.fixed_dictionaries(
        {
            "coverage": st.floats(0.01, 1),
            "max_keys": st.integers(1, 1024),
            "combine": st.sampled_from(["max", "softmax", "screen", "sum"]),
            "even": st.floats(0, 1),
            "keys": st.lists(st.integers(0, 10**6), max_size=5),
        }
    )
)
def test_valid_keys_go_through_a_rewrite_unchanged(keys):
    import tomlkit

    text = tomlkit.dumps({"sweep": [{"path": "a.mov", **keys}]})
    sweep = parse_shot(text, Path("shot.toml")).sweep[0]
    for name, value in keys.items():
        got = getattr(sweep, name)
        assert (list(got) if isinstance(value, list) else got) == value
