"""`[[element]]` in a shot file: pulled once, numbered by shot frames, recalled while nothing changed, and laid."""

import json
import re
from types import SimpleNamespace

import numpy as np
import pytest
from made.camera import expose
from made.movies import write_movie
from made.tossed import BALL, EmptySet, draw_room, toss
from unwatched import Unwatched

from lightstack.errors import MismatchedInput, SettingError
from lightstack.files.shot.shotfile import parse_shot
from lightstack.files.write.plates import read_exr
from lightstack.jobs.element.stage import find_empty, find_pulled
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

SIZE = (96, 160)
SHOT = """
[shot]
name = "hall"
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
[holdout]
from = "none"
[[element]]
name = "ball"
path = ["one.mkv"]
at = 1003
"""


class Saying(Unwatched):
    """Keeps what was said."""

    def __init__(self):
        self.lines = []

    def say(self, line, *, level=0):
        self.lines.append(line)


def test_an_element_is_pulled_once_and_recalled(tmp_path):
    bare = draw_room(64, SIZE)
    write_movie(EmptySet(64, bare, count=3), tmp_path / "hero.mkv")
    write_movie(EmptySet(65, bare, count=4), tmp_path / "empty.mkv")
    one = toss(64, size=SIZE, frames=9, kind=BALL, bare=bare, hold=2, colour=(0.1, 0.3, 0.5), end=(0.7, 0.7))
    write_movie(one, tmp_path / "one.mkv")
    (tmp_path / "shot.toml").write_text(SHOT)
    result = build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=Unwatched())
    names = [name for name in result.files if name.startswith("hall_ball_v001.") and name.endswith(".exr")]
    assert names[0] == "hall_ball_v001.1003.exr"
    assert "hall_ball_shadow_v001.1003.exr" in result.files
    assert "hall_ball_v001_tries.png" in result.files
    (tmp_path / "shot.toml").write_text(SHOT + '[preview]\nquality = 20\n')
    progress = Saying()
    again = build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=progress)
    assert "element ball: unchanged" in progress.lines
    assert set(names) <= set(again.files)


def test_an_empty_take_lit_otherwise_than_the_hero_is_told(tmp_path):
    bare = draw_room(64, SIZE)
    write_movie(EmptySet(64, bare * np.float32(1.25), count=3), tmp_path / "hero.mkv")
    write_movie(EmptySet(65, bare, count=4), tmp_path / "empty.mkv")
    one = toss(64, size=SIZE, frames=9, kind=BALL, bare=bare, hold=2, colour=(0.1, 0.3, 0.5), end=(0.7, 0.7))
    write_movie(one, tmp_path / "one.mkv")
    (tmp_path / "shot.toml").write_text(SHOT)
    result = build_shot(tmp_path / "shot.toml", options=BuildOptions(), progress=Unwatched())
    assert [line for line in result.warnings if re.search(r"ball: empty: is lit otherwise than hero \(R -0\.3", line)]


def test_an_element_needs_an_empty_take(tmp_path):
    settings = parse_shot(SHOT.replace('[takes.empty]\npath = "empty.mkv"\n', ""), tmp_path / "shot.toml")
    with pytest.raises(SettingError, match="needs the set with nothing in it"):
        find_empty(settings, settings.element[0])
    named = parse_shot(SHOT + 'empty = "bare/other.mkv"\n', tmp_path / "shot.toml")
    take, name = find_empty(named, named.element[0])
    assert (take.path, name) == (("bare/other.mkv",), "other")


CROSSING = """
[shot]
name = "hall"
[takes.hero]
path = "hero.mkv"
[takes.empty_lit]
path = "empty.mkv"
[[element]]
name = "ball"
path = ["across.mkv", "short.mkv"]
at = 1003
order = "behind"
wishes = { avoid_figure = true }
[render]
elements = ["hero_clean", "holdout"]
"""


class Somebody(EmptySet):
    """The set with somebody in a striped coat, who stands still."""

    def planes(self, k):
        light, cover = dress(self.bare)
        rng = np.random.default_rng([self.seed, 613, k])
        seen = cover[..., None] * light + (1 - cover[..., None]) * self.bare
        return expose(seen, rng, noise=self.noise, bits=self.bits, curve=self.curve, chroma=self.chroma)


def dress(bare):
    """Light and coverage of somebody between 0.56 and 0.72 of the width."""
    height, width = bare.shape[:2]
    y, x = np.mgrid[:height, :width] + 0.5
    cover = np.clip((0.08 * width - np.abs(x - 0.64 * width)) + 0.5, 0, 1) * np.clip(y - 0.15 * height, 0, 1)
    stripes = 0.3 + 0.15 * np.sign(np.sin(0.7 * y))
    return (stripes[..., None] * np.array([0.4, 0.6, 1.0])).astype(np.float32), cover.astype(np.float32)


@pytest.fixture(scope="module")
def crossing(tmp_path_factory):
    folder = tmp_path_factory.mktemp("crossing")
    bare = draw_room(66, SIZE)
    write_movie(Somebody(66, bare, count=11), folder / "hero.mkv")
    write_movie(EmptySet(67, bare, count=4), folder / "empty.mkv")
    throws = {"across": (0.85, 0.7), "short": (0.4, 0.75)}
    for number, (name, end) in enumerate(throws.items()):
        one = toss(66, number, size=SIZE, frames=15, kind=BALL, bare=bare, hold=2, colour=(0.6, 0.12, 0.08), end=end)
        write_movie(one, folder / f"{name}.mkv")
    return folder, bare


def read_picture(folder, name, channels="RGB"):
    held = read_exr(folder / name)
    return np.stack([held[c] for c in channels], axis=-1).astype(np.float32)


@pytest.mark.slow
def test_a_try_that_crosses_the_figure_is_ranked_behind_one_that_does_not(crossing):
    folder, bare = crossing
    (folder / "shot.toml").write_text(CROSSING)
    result = build_shot(folder / "shot.toml", options=BuildOptions(), progress=Unwatched())
    told = json.loads((result.out / "hall_ball_v001_tries.json").read_text())["tries"]
    assert [one["try"] for one in told] == ["ball_2", "ball_1"]
    assert "never crosses the figure" in told[0]["reasons"]
    assert told[1]["reasons"][0].startswith("crosses the figure")
    # the frames hold the ball with its shadow, the hold-out withholds light there, and files rebuild what is laid
    ball = read_picture(result.out, "hall_ball_v001.1006.exr", "RGBA")
    own, alpha = ball[..., :3], ball[..., 3]
    clean = read_picture(result.out, "hall_hero_clean_v001.1006.exr")
    held = read_picture(result.out, "hall_holdout_v001.1006.exr", "Y")[..., 0]
    inside = alpha > 0.99
    assert inside.sum() > 20
    np.testing.assert_allclose(clean[inside], own[inside], rtol=2e-3)
    assert (held[inside] > 0.98).all()
    _, cover = dress(bare)
    assert held[40:, :][cover[40:, :] > 0.99].mean() > 0.9
    np.testing.assert_array_equal(clean, read_picture(result.out, "hall_relit_v001.1006.exr"))


def test_the_thing_is_laid_behind_the_figure_and_stays_where_it_came_to_rest(crossing, tmp_path):
    folder, bare = crossing
    text = CROSSING.replace('["across.mkv", "short.mkv"]', '"across.mkv"').replace("at = 1003", "offset = -6")
    shot = tmp_path / "shot.toml"
    shot.write_text(re.sub(r'"(\w+\.mkv)"', lambda found: f'"{folder / found[1]}"', text))
    result = build_shot(shot, options=BuildOptions(), progress=Unwatched())
    _, cover = dress(bare)
    figure = cover > 0.99
    alone = read_picture(result.out, "hall_relit_v001.1011.exr")
    crossed = 0
    for number in (1001, 1002, 1003, 1004):
        relit = read_picture(result.out, f"hall_relit_v001.{number}.exr")
        alpha = read_picture(result.out, f"hall_ball_v001.{number}.exr", "A")[..., 0]
        both = figure & (alpha > 0.5)
        crossed += both.sum()
        # TOLERANCE: the coat's own noise from frame to frame is 0.01; the ball would be off by 0.2 and more
        assert both.sum() < 10 or np.abs(relit - alone)[both].mean() < 0.03
    assert crossed > 50
    assert not (result.out / "hall_ball_v001.1010.exr").exists()
    last = read_picture(result.out, "hall_ball_v001.1009.exr", "RGBA")
    here = (last[..., 3] > 0.99) & (cover == 0)
    assert here.sum() > 20
    np.testing.assert_allclose(alone[here].mean(axis=0), last[here][:, :3].mean(axis=0), rtol=0.05)
    assert [line for line in result.warnings if "before the shot's first" in line]
    assert not [line for line in result.warnings if "still moves" in line]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ("at = 1040", "ball begins on frame 1040, outside the shot's frames 1001 to 1011"),
        ("offset = 90", "outside the shot's frames"),
        ("at = 1003\npick = 7", "pick = 7, but there are 2"),
    ],
)
def test_an_element_outside_the_shot_is_told_in_one_line(crossing, tmp_path, changed, said):
    folder, _ = crossing
    text = CROSSING.replace("at = 1003", changed).replace('order = "behind"\n', "").replace("avoid_figure = true", "")
    shot = tmp_path / "shot.toml"
    shot.write_text(re.sub(r'"(\w+\.mkv)"', lambda found: f'"{folder / found[1]}"', text))
    with pytest.raises(SettingError, match=said) as told:
        build_shot(shot, options=BuildOptions(), progress=Unwatched())
    assert "\n" not in str(told.value)


def test_an_element_that_is_over_before_the_shot_begins(tmp_path):
    settings = parse_shot(SHOT, tmp_path / "shot.toml")
    delivery, hero = SimpleNamespace(stem=str), SimpleNamespace(frames=(1001, 1011))
    known = {"numbers": [990, 991], "centres": [[1.0, 2.0], [None, None]], "areas": [4.0, 0.0]}
    with pytest.raises(SettingError, match="seen on frames 990 to 991, outside the shot's frames 1001 to 1011"):
        find_pulled(delivery, settings, settings.element[0], hero, known)


def test_a_try_of_another_shape_is_told_before_anything_is_built(crossing, tmp_path):
    folder, _ = crossing
    square = write_movie(EmptySet(63, draw_room(63, (96, 96)), count=4), tmp_path / "square.mkv")
    shot = tmp_path / "shot.toml"
    text = CROSSING.replace("short.mkv", str(square))
    shot.write_text(re.sub(r'"(\w+\.mkv)"', lambda found: f'"{folder / found[1]}"', text))
    with pytest.raises(MismatchedInput, match="must have the same shape"):
        build_shot(shot, options=BuildOptions(), progress=Unwatched())
    assert not list((tmp_path / "out").glob("*.exr"))
