"""``[[patch]]`` of the shot file."""

from pathlib import Path

import pytest

from lightstack.errors import SettingError
from lightstack.files.shot.shotfile import parse_shot

TAKES = '[takes.hero]\npath = "h.mov"\n[takes.empty]\npath = "e.mov"\n[[sweep]]\npath = "s.mov"\nname = "violet"\n'
TRIANGLE = "[[1, 2], [30, 4], [5, 60.5]]"


def read(text, takes=TAKES):
    return parse_shot(takes + text, Path("x/shot.toml")).patch


def refuse(text, takes=TAKES):
    with pytest.raises(SettingError) as caught:
        read(text, takes)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_patch_has_defaults_and_a_name():
    one, two = read(
        f'[[patch]]\nfrom = "empty"\n[[patch.shape]]\npolygon = {TRIANGLE}\n[[patch]]\nfrom = "violet"\nmask = "m.png"'
    )
    assert (one.name, two.name, one.match, one.feather, one.invert) == ("patch", "patch_2", "around", 4.0, False)
    assert one.shape[0].polygon[2] == (5.0, 60.5) and one.strength_points == ((0, 1.0, "smooth"),)
    assert two.mask == "m.png" and two.frames is None


def test_shapes_that_move_are_drawn_at_frames():
    drawn = f"drawn = [{{ frame = 1001, polygon = {TRIANGLE} }}, {{ frame = 1020, polygon = {TRIANGLE} }}]"
    (patch,) = read(
        f'[[patch]]\nfrom = "empty"\nstrength = [[1001, "off"], [1009, 0.5, "linear"]]\n[[patch.shape]]\n{drawn}'
    )
    assert [one.frame for one in patch.shape[0].drawn] == [1001, 1020]
    assert patch.strength_points == ((1001, "off", "smooth"), (1009, 0.5, "linear"))


def test_a_path_may_stand_for_a_take():
    assert read('[[patch]]\nfrom = "plates/clean.exr"\nmask = "m.png"')[0].is_path


@pytest.mark.parametrize(
    "text, said",
    [
        ('[[patch]]\nfrom = "emty"\nmask = "m.png"', "there is no such take or sweep; the nearest is empty"),
        ('[[patch]]\nfrom = "clean"\nmask = "m.png"', "there is no such take or sweep"),
        ('[[patch]]\nmask = "m.png"', "is missing and required"),
        ('[[patch]]\nfrom = "empty"', "needs either mask, a picture, or [[patch.shape]]"),
        (f'[[patch]]\nfrom = "empty"\nmask = "m.png"\n[[patch.shape]]\npolygon = {TRIANGLE}', "needs either mask"),
        ('[[patch]]\nfrom = "empty"\n[[patch.shape]]\npolygon = [[1, 2], [3, 4]]', "three or more corners"),
        ('[[patch]]\nfrom = "empty"\n[[patch.shape]]', "needs either polygon or drawn"),
        (
            f'[[patch]]\nfrom = "empty"\n[[patch.shape]]\ndrawn = [{{ frame = 1, polygon = {TRIANGLE} }}, '
            "{ frame = 2, polygon = [[1, 1], [2, 2], [3, 1], [4, 4]] }]",
            "the same number of corners",
        ),
        (
            f'[[patch]]\nfrom = "empty"\n[[patch.shape]]\ndrawn = [{{ frame = 1, polygon = {TRIANGLE} }}, '
            f"{{ frame = 1, polygon = {TRIANGLE} }}]",
            "draws one frame twice",
        ),
        ('[[patch]]\nfrom = "empty"\nmask = "m.png"\nstrength = [[1001, 1.5]]', "strength runs from 0 to 1, not 1.5"),
        ('[[patch]]\nfrom = "empty"\nmask = "m.png"\nmatch = "arround"', "the nearest is around"),
        ('[[patch]]\nfrom = "empty"\nmask = "m.png"\nfeather = -1', "must be at least 0"),
        ('[[patch]]\nfrom = "empty"\nmask = "m.png"\nfeathr = 1', "the nearest valid key is feather"),
        ('[[patch]]\nfrom = "empty"\nmask = "m.png"\nframes = [9, 3]', "must run forwards"),
        (
            '[[patch]]\nname = "a"\nfrom = "empty"\nmask = "m.png"\n' * 2,
            "is used twice",
        ),
        ('[patch]\nfrom = "empty"', "is a list: write [[patch]] with two brackets"),
        (
            '[[patch]]\nfrom = "empty"\nmask = "m.png"\nframes = [1050, 1060]\n[shot]\nframes = [1001, 1010]',
            "none of them is among the shot's frames 1001 to 1010",
        ),
    ],
)
def test_what_is_wrong_is_told_with_its_line(text, said):
    told = refuse(text)
    assert said in told and told.startswith("x/shot.toml, line ")


def test_a_patch_needs_a_hero():
    told = refuse('[[patch]]\nfrom = "violet"\nmask = "m.png"', '[[sweep]]\npath = "s.mov"\nname = "violet"\n')
    assert "needs [takes.hero]" in told
