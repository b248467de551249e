"""Every option of every command with values that are none: exit code 1 or 2 and one line that names the option.

The footage is not there, so whatever is told of an option is told before any footage is opened.
"""

from pathlib import Path

import pytest
from cli_helpers import call, list_commands, list_hints

SHOT = '[takes.hero]\npath = "none.mov"\n[[sweep]]\npath = "none.mov"\n[[light]]\n'
ARGUMENTS = {"SHOT.toml": "shot.toml", "TAKE": "none.mov", "SWEEP": "none.mov", "FOLDER": "none", "PICTURE": "none.png"}
REQUIRED = {"--out": "out", "--empty": "none.mov", "--profile": "none.json", "--target": "none.png"}
OUT = {"clean": "out.exr", "grain measure": "out.json", "grain apply": "out.####.exr"}
# What is looked at when its turn comes: footage and pictures, and the folders and addresses that are for later.
LATER = ("--out", "--empty", "--profile", "--target", "--regions", "--like", "--html", "--cluster")
NUMBERS = ["-1", "", "text", "1,5"]
VALUES = {
    int: [*NUMBERS, "nan", "1.5"],
    float: [*NUMBERS, "nan", "inf", "-inf", "1e999"],
    str: ["surely-unknown", "", "-1", "9-3", "0,0,nan", "9" * 30, "x" * 5000],
    Path: ["nothing", "folder", "file.txt/x", "", "y" * 300],
}
HUGE = "9" * 30
UNLIMITED = ("--seed", "--frame", "--at", "--pick", "--verbose", "--stops")  # as large (or negative) as anybody likes
MOST_LETTERS = 1400


def list_options():
    hints = dict(list_hints())
    seen = set()
    for name, command in list_commands():
        for option in command.params:
            if option.param_type_name != "option" or option.is_flag or option.count or option.name == "help":
                continue
            longest = max(option.opts, key=len)
            kind = hints[name][option.name]
            values = VALUES[kind] + ([HUGE] if kind is int and longest not in UNLIMITED else [])
            first = (longest, option.help) not in seen  # what commands share is walked whole once
            seen.add((longest, option.help))
            yield name, longest, tuple(values if first else values[:2])


OPTIONS = list(list_options())


def write_words(name, option, value):
    """A command line in which everything but one option is as it may be."""
    command = dict(list_commands())[name]
    words = name.split()
    words += [ARGUMENTS[one.metavar] for one in command.params if one.param_type_name == "argument"]
    for one in command.params:
        longest = max(one.opts, key=len)
        if one.param_type_name == "option" and one.required and longest != option:
            words += [longest, OUT.get(name, "out") if longest == "--out" else REQUIRED[longest]]
    return [*words, f"{option}={value}"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "shot.toml").write_text(SHOT)
    (tmp_path / "file.txt").write_text("mine")
    (tmp_path / "folder").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_walk_sees_every_command():
    assert {name for name, _, _ in OPTIONS} >= {name for name, _ in list_commands()} - {"new"}  # which has flags only
    assert len(OPTIONS) > 120


@pytest.mark.parametrize("name, option, values", OPTIONS, ids=[f"{name}{option}" for name, option, _ in OPTIONS])
def test_a_wrong_value_is_told_in_one_line(name, option, values, folder, monkeypatch):
    for value in values:
        if option == "--html" and value == "nothing":
            continue  # the one path that need not be there
        if option in UNLIMITED and value in ("-1", "1,5"):
            continue
        code, out, err = call(write_words(name, option, value), monkeypatch)
        lines = err.splitlines()
        assert code in (1, 2), (value, out, err)
        assert len(lines) == 1 and lines[0].startswith("lightstack: "), (value, err)
        assert len(lines[0]) < MOST_LETTERS
        assert out == ""
        if option not in LATER and len(value) != 300:  # of a name too long for any file the name is told
            assert option in lines[0], (value, lines[0])
    assert {path.name for path in folder.iterdir()} == {"shot.toml", "file.txt", "folder"}  # and nothing is left


def test_a_wrong_value_as_json(folder, monkeypatch):
    import json

    code, out, err = call([*write_words("clean", "--method", "average"), "--json"], monkeypatch)
    answer = json.loads(out)
    assert (answer["ok"], answer["exit"], code) == (False, 1, 1)
    assert f"lightstack: {answer['error']['line']}\n" == err
