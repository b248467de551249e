"""``inspect`` on the command line: exit codes, tables, pure JSON."""

import json
import sys
import types

import numpy as np
import pytest

from lightstack.cli.main import run
from lightstack.jobs.inspect.options import Inspected
from lightstack.records import Figure, Finding, TakeFindings


def make_take(name, grade, remedy=""):
    findings = (
        Finding("lock-off", grade, "The camera moved by 2.80 px.", remedy, (Figure("shift", float("nan"), "px"),)),
        Finding("flicker", "not checked", "Too few frames."),
    )
    return TakeFindings(name, "sweep", "320 x 180, 80 frames", findings, np.arange(80))


@pytest.fixture
def found(monkeypatch):
    """Put findings in place of the job's and remember what it was asked."""
    asked = {}

    def install(*grades):
        takes = tuple(make_take(f"{grade}.mov", grade, "Weigh it down.") for grade in grades)

        def inspect_takes(paths, *, out, options, progress):
            asked.update(paths=paths, out=out, options=options)
            return Inspected(takes, ("a note",), out, ("inspect.html",) if out else ())

        fake = types.ModuleType("lightstack.jobs.inspect.inspect")
        fake.inspect_takes = inspect_takes
        monkeypatch.setitem(sys.modules, fake.__name__, fake)
        return asked

    return install


@pytest.mark.parametrize(
    "grades, words, code",
    [
        (("good",), [], 0),
        (("good", "usable"), [], 0),
        (("usable", "reshoot"), [], 3),
        (("usable",), ["--strict"], 0),
        (("reshoot",), ["--strict"], 1),
    ],
)
def test_the_exit_code_is_that_of_the_worst(found, capsys, grades, words, code):
    found(*grades)
    assert run(["inspect", "a.mov", *words]) == code
    assert ("--strict" in capsys.readouterr().err) == (code == 1)


def test_options_reach_the_job(found):
    asked = found("good")
    run(["inspect", "a.mov", "b.mov", "--quick", "-o", "x", "--mains", "50", "--colour", "slog3", "--rotate", "90"])
    options = asked["options"]
    assert [str(path) for path in asked["paths"]] == ["a.mov", "b.mov"] and str(asked["out"]) == "x"
    assert options.quick and options.mains == (50.0,) and options.colour == "slog3" and options.rotate == 90


def test_the_table_says_what_to_do(found, capsys, monkeypatch):
    for columns in ("160", "70"):
        monkeypatch.setenv("COLUMNS", columns)
        found("usable")
        run(["inspect", "a.mov"])
        out = capsys.readouterr().out
        for words in (
            "usable.mov",
            "320 x 180",
            "lock-off",
            "2.80 px",
            "Weigh it down.",
            "not checked",
            "note: a note",
        ):
            assert words in out


def test_json_is_pure_and_complete(found, capsys):
    found("good", "reshoot")
    assert run(["inspect", "a.mov", "--json"]) == 3
    captured = capsys.readouterr()
    answer = json.loads(captured.out)
    assert captured.err == ""
    assert answer["verdict"] == "reshoot" and answer["exit"] == 3 and answer["ok"] is False
    finding = answer["takes"][1]["findings"][0]
    assert finding["remedy"] == "Weigh it down." and finding["figures"][0]["value"] is None


def test_quiet_prints_nothing(found, capsys):
    found("reshoot")
    assert run(["inspect", "a.mov", "-q"]) == 3
    assert capsys.readouterr() == ("", "")


def test_a_mains_frequency_that_is_none_is_wrong_usage(found, capsys):
    found("good")
    assert run(["inspect", "a.mov", "--mains", "55"]) == 2
    assert "55" in capsys.readouterr().err
