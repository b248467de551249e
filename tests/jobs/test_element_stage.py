"""`[[element]]` in a shot file: pulled once, numbered by shot frames, recalled while nothing changed."""

import pytest
from made.movies import write_movie
from made.tossed import BALL, EmptySet, draw_room, toss
from unwatched import Unwatched

from lightstack.errors import SettingError
from lightstack.files.shotfile import parse_shot
from lightstack.jobs.build import build_shot
from lightstack.jobs.element_stage import find_empty
from lightstack.jobs.options import BuildOptions

SIZE = (96, 160)
SHOT = """
[shot]
name = "hall"
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
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


def test_an_element_needs_an_empty_take(tmp_path):
    settings = parse_shot(SHOT.replace('[takes.empty]\npath = "empty.mkv"\n', ""), tmp_path / "shot.toml")
    with pytest.raises(SettingError, match="needs the set with nothing in it"):
        find_empty(settings, settings.element[0])
    named = parse_shot(SHOT + 'empty = "bare/other.mkv"\n', tmp_path / "shot.toml")
    take, name = find_empty(named, named.element[0])
    assert (take.path, name) == (("bare/other.mkv",), "other")
