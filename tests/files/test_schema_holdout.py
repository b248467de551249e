"""``[holdout]``: what is accepted, and what is wrong in one line."""

from pathlib import Path

import pytest

from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot

HERO = '[takes.hero]\npath = "hero.mov"\n'
SWEEP = '[[sweep]]\nname = "blue"\npath = "sweep.mov"\n'


def parse(*parts):
    return parse_shot("".join(parts), Path("shot.toml"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[holdout]\nfrom = "empty"\n', 'line 4: [holdout] from = "empty": there is no such take or sweep'),
        ('[holdout]\nfrom = "nome"\n', "the nearest is none"),
        ('[holdout]\nfrom = "none"\ngrow = 2\n', "has nothing to grow or soften"),
        ('[holdout]\nmatte = { channel = "A" }\n', "path is missing and required"),
        ('[holdout]\nmatte = { path = "a.exr", use = "subtract" }\n', "expected one of replace, add, cut"),
        ("[[holdout.shape]]\nmode = 'exclude'\n", "needs either polygon or drawn"),
        ("[holdout]\nzzz = 3\n", "zzz is unknown; valid keys are exclude, from, grow"),
        ("[holdout]\ngrow = 500\n", "must be at most 100"),
    ],
)
def test_what_is_wrong_is_told(text, said):
    with pytest.raises(SettingError) as told:
        parse(HERO, text)
    assert said in str(told.value) and "\n" not in str(told.value)


def test_a_hold_out_needs_a_hero():
    with pytest.raises(SettingError, match=r"\[holdout\] needs \[takes.hero\]"):
        parse(SWEEP, "[holdout]\n")
