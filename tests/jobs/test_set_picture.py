"""What the bare set is taken from, and when a shot asks for a hold-out."""

from pathlib import Path

import pytest

from lightstack.files.shot.shotfile import parse_shot
from lightstack.jobs.holdout.set_picture import find_set_source
from lightstack.jobs.holdout.stage import needs_holdout, wanted_set

HERO = '[takes.hero]\npath = "hero.mov"\n'
SWEEP = '[[sweep]]\nname = "blue"\npath = "sweep.mov"\n'
LIGHT = "[[light]]\n"
EMPTY = '[takes.empty]\npath = "empty.mov"\n'
LIT = '[takes.empty_lit]\npath = "lit.mov"\n'
CLEAN = '[takes.clean]\npath = "clean.mov"\n'


def parse(*parts):
    return parse_shot("".join(parts), Path("shot.toml"))


def test_a_light_asks_for_a_hold_out_by_itself():
    assert needs_holdout(parse(HERO, SWEEP, LIGHT)) and not needs_holdout(parse(HERO, SWEEP))
    assert not needs_holdout(parse(HERO, SWEEP, LIGHT, '[holdout]\nfrom = "none"\n'))
    assert needs_holdout(parse(HERO, '[holdout]\nfrom = "none"\ninclude = "m.png"\n'))


@pytest.mark.parametrize(
    ("takes", "wanted"),
    [
        ((EMPTY, LIT, CLEAN, SWEEP), "empty_lit"),
        ((EMPTY, CLEAN, SWEEP), "empty"),
        ((CLEAN, SWEEP), "clean"),
        ((CLEAN, "[clean]\n"), "the clean plate"),
        ((SWEEP,), "the unlit frames of blue"),
        ((EMPTY, LIT, '[holdout]\nfrom = "empty"\n'), "empty"),
        ((EMPTY, SWEEP, '[holdout]\nfrom = "blue"\n'), "the unlit frames of blue"),
    ],
)
def test_what_the_set_is_taken_from(takes, wanted):
    settings = parse(HERO, *takes)
    assert find_set_source(settings, wanted_set(settings)).words == wanted


def test_nothing_shows_the_set():
    assert find_set_source(parse(HERO)) is None
