"""The command line: exit codes, what goes where, and that help comes at once."""

import json
import os
import signal
import subprocess
import sys
import types
from pathlib import Path

import numpy as np
import pytest

from lightstack import __version__
from lightstack.cli.main import run
from lightstack.errors import MissingInput
from lightstack.jobs.takes.options import BuildResult, NewResult
from lightstack.records import Verdict

RESULT = BuildResult(
    out=Path("made"),
    files=("plate.exr", "report.html"),
    warnings=("the sweep is short",),
    verdicts=(Verdict("hero", "good", ("It stands still.",)), Verdict("violet", "reshoot", ("It clips.",))),
    numbers={
        "coverage": 0.991,
        "residue": float("nan"),
        "sigma": np.float32(0.5),
        "by channel": np.arange(3),
    },
)


@pytest.fixture
def fake_job(monkeypatch):
    """Put a job in place of a real one and remember what it was asked."""
    asked = {}

    def install(module, function, answer):
        def job(*arguments, **options):
            asked.update(options, arguments=arguments)
            with options["progress"].step("work", 3) as step:
                step.advance()
            options["progress"].say("told to all")
            options["progress"].say("told when asked", level=1)
            if isinstance(answer, BaseException):
                raise answer
            return answer

        fake = types.ModuleType(f"lightstack.jobs.{module}")
        setattr(fake, function, job)
        monkeypatch.setitem(sys.modules, fake.__name__, fake)
        return asked

    return install


def test_version_and_help(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"lightstack {__version__}\n"
    for words in ([], ["--help"], ["build", "-h"]):
        assert run(words) == 0
        assert "Usage: lightstack" in capsys.readouterr().out


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from lightstack.cli.main import run; run(['plate', '--help']); "
        "print([name for name in ('numpy', 'cv2', 'numba', 'av', 'scipy') if name in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.splitlines()[-1] == "[]"


def test_a_build_is_asked_for_what_was_typed(fake_job, capsys, tmp_path, monkeypatch):
    asked = fake_job("shot.build", "build_shot", RESULT)
    monkeypatch.chdir(tmp_path)
    Path("c.ocio").touch()
    words = "build a/shot.toml --force --memory 1.5GiB --ocio c.ocio --threads 3"
    assert run(words.split()) == 0
    assert asked["arguments"] == (Path("a/shot.toml"),)
    options = asked["options"]
    assert options.force
    assert not options.verify
    assert options.memory_bytes == 3 * 2**29
    assert options.ocio == Path("c.ocio")
    assert options.threads == 3
    streams = capsys.readouterr()
    assert "violet: reshoot. It clips." in streams.out
    assert "warning: the sweep is short" in streams.out
    assert f"written: {Path('made/plate.exr')}" in streams.out
    assert streams.err == "told to all\n"


def test_verbosity_and_quiet(fake_job, capsys):
    fake_job("shot.build", "build_shot", RESULT)
    assert run(["build", "shot.toml", "-v"]) == 0
    assert "told when asked" in capsys.readouterr().err
    assert run(["build", "shot.toml", "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_json_is_pure_and_numbers_that_are_none_are_null(fake_job, capsys):
    fake_job("shot.preview", "make_preview", RESULT)
    assert run(["preview", "shot.toml", "--json"]) == 0
    streams = capsys.readouterr()
    answer = json.loads(streams.out, parse_constant=pytest.fail)
    assert answer["ok"] is True
    assert answer["command"] == "preview"
    assert answer["files"] == ["plate.exr", "report.html"]
    assert answer["numbers"] == {"coverage": 0.991, "residue": None, "sigma": 0.5, "by channel": [0, 1, 2]}
    assert answer["verdicts"][1] == {"take": "violet", "grade": "reshoot", "sentences": ["It clips."]}
    assert streams.err == ""


def test_strict_fails_where_a_take_should_be_shot_again(fake_job, capsys):
    fake_job("shot.build", "build_shot", RESULT)
    assert run(["build", "shot.toml", "--strict"]) == 1
    assert "to be shot again: violet" in capsys.readouterr().err
    assert run(["build", "shot.toml", "--strict", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["ok"] is False


def test_a_deliberate_error_is_one_line(fake_job, capsys):
    fake_job("shot.build", "build_shot", MissingInput("a.mov: nothing is there;\nname a movie"))
    assert run(["build", "shot.toml", "--quiet"]) == 1
    streams = capsys.readouterr()
    assert streams == ("", "lightstack: a.mov: nothing is there; name a movie\n")
    assert run(["build", "shot.toml", "--json"]) == 1
    error = json.loads(capsys.readouterr().out)
    assert error == {
        "ok": False,
        "exit": 1,
        "error": {"kind": "MissingInput", "line": "a.mov: nothing is there; name a movie"},
    }


def test_a_bug_shows_its_traceback(fake_job, capsys):
    fake_job("shot.build", "build_shot", ZeroDivisionError("by nought"))
    with pytest.raises(ZeroDivisionError):
        run(["build", "shot.toml"])
    assert capsys.readouterr().out == ""
    with pytest.raises(ZeroDivisionError):
        run(["build", "shot.toml", "--json"])
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "ZeroDivisionError"


@pytest.mark.parametrize(
    "words",
    [
        ["bild"],
        ["build"],
        ["build", "a.toml", "b.toml"],
        ["build", "a.toml", "--forse"],
        ["plate", "a.mov"],
        ["plate", "-o", "out"],
        ["plate", "a.mov", "-o", "out", "--max-keys", "many"],
        ["build", "a.toml", "--threads", "-1"],
    ],
)
def test_usage_errors_exit_with_two_and_say_where_help_is(words, capsys):
    assert run(words) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert "--help" in line
    assert run([*words, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["exit"] == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--memory", "lots"], "--memory lots"),
        (["--memory", "0"], "--memory 0"),
        (["--coverage", "1.5"], "--coverage = 1.5: must be at most 1"),
        (["--max-keys", "0"], "--max-keys = 0: must be at least 1"),
        (["--keys", "12,twelve"], "--keys twelve"),
        (["--exclude", "9-3"], "--exclude"),
        (["--combine", "mux"], "the nearest is max"),
        (["--by", "green"], "--by"),
        (["--glints", "hide"], "--glints"),
        (["--even", "2"], "--even = 2.0: must be at most 1"),
        (["--floor-sigma", "-1"], "--floor-sigma = -1.0: must be at least 0"),
        (["--white", "1,2"], "--white 1,2"),
        (["--white", "1,0,1"], "--white"),
        (["--stops", "99"], "--stops = 99.0: must be at most 30"),
        (["--range", "legal"], "--range"),
        (["--matrix", "bt407"], "--matrix"),
        (["--rotate", "45"], "--rotate = 45"),
        (["--model", "wobble"], "--model"),
    ],
)
def test_options_out_of_range_are_told_by_name(words, said, capsys):
    assert run(["plate", "a.mov", "-o", "out", *words]) == 1
    line = capsys.readouterr().err
    assert said in line
    assert line.count("\n") == 1


def test_a_plate_is_asked_for_what_was_typed(fake_job, capsys):
    asked = fake_job("stage.plate", "make_plate", RESULT)
    words = "plate a.mov b.mov --empty e.mov -o out --keys 3,2:34 --exclude 1-20,57,2:3-2:9 --separate"
    assert run([*words.split(), "--max-keys", "8", "--white", "1.1,1,0.9", "--json"]) == 0
    assert asked["arguments"] == ([Path("a.mov"), Path("b.mov")],)
    assert (asked["empty"], asked["out"]) == (Path("e.mov"), Path("out"))
    options = asked["options"]
    assert options.keys == (3, "2:34")
    assert options.exclude == ((1, 20), (57, 57), ("2:3", "2:9"))
    assert options.separate
    assert options.max_keys == 8
    assert options.white == (1.1, 1.0, 0.9)
    assert options.coverage is None


def test_new_prints_its_reasons(fake_job, capsys):
    fake_job("new", "start_shot", NewResult(Path("f/shot.toml"), ("hero: a.mov: somebody moves",)))
    assert run(["new", "f"]) == 0
    assert capsys.readouterr().out.startswith("hero: a.mov: somebody moves\nwritten: ")
    assert run(["new", "f", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["lines"] == ["hero: a.mov: somebody moves"]
    assert answer["shot_path"] == str(Path("f/shot.toml"))


def test_interrupt_in_a_job(fake_job, capsys):
    fake_job("shot.build", "build_shot", KeyboardInterrupt())
    assert run(["build", "shot.toml"]) == 130
    assert "stopped" in capsys.readouterr().err


def test_interrupt_from_outside(tmp_path):
    code = (
        "import sys, time, types\n"
        "fake = types.ModuleType('lightstack.jobs.shot.build')\n"
        "def build_shot(path, *, options, progress):\n"
        "    progress.say('ready')\n"
        "    time.sleep(60)\n"
        "fake.build_shot = build_shot\n"
        "sys.modules['lightstack.jobs.shot.build'] = fake\n"
        "from lightstack.cli.main import main\n"
        "sys.argv = ['lightstack', 'build', 'shot.toml']\n"
        "main()\n"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    assert child.stderr is not None
    with child, child.stderr:
        assert child.stderr.readline() == "ready\n"
        os.kill(child.pid, signal.SIGINT)
        rest = child.stderr.read()
        assert child.wait(timeout=20) == 130
    assert rest == "lightstack: stopped; nothing half-written is left behind\n"


def test_what_hangs_when_it_is_taken_down_holds_nobody_up():
    code = (
        "import atexit, sys, time\n"
        "from lightstack.cli import main as command_line\n"
        "class Decoder:\n"
        "    def __del__(self):\n"
        "        time.sleep(600)\n"
        "kept = Decoder()\n"
        "atexit.register(lambda: print('cleared up'))\n"
        "sys.argv = ['lightstack', 'inspect', '/nothing/there.mov']\n"
        "command_line.main()\n"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 1
    assert ended.stdout == "cleared up\n"
    assert ended.stderr.startswith("lightstack: /nothing/there.mov: nothing is there")


def test_the_module_runs_and_help_loads_nothing_heavy():
    # what makes a start slow; help says what there is without any of it
    heavy = ("numpy", "cv2", "av", "numba", "matplotlib", "scipy", "pydantic", "OpenImageIO", "PyOpenColorIO")
    command = [sys.executable, "-X", "importtime", "-m", "lightstack", "--help"]
    shown = subprocess.run(command, check=True, capture_output=True, text=True)
    loaded = {line.rsplit("|", 1)[-1].strip() for line in shown.stderr.splitlines()}
    assert "build" in shown.stdout
    assert "typer" in loaded
    assert loaded.isdisjoint(heavy)
