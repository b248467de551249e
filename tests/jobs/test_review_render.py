"""A build beside the page: followed line by line, stopped, and told of."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lightstack.errors import SettingError
from lightstack.jobs.review.render import BuildRun, BuildState, command_of, end_without_word, take_line
from lightstack.jobs.takes.options import BuildOptions

TALK = """
import json, signal, sys, time
signal.signal(signal.SIGINT, signal.default_int_handler)
def tell(**told): print(json.dumps(told), flush=True)
tell(step="frames", done=1, total=4)
try:
    {then}
except KeyboardInterrupt:
    tell(state="stopped", line="stopped")
    sys.exit(130)
"""


def start(then, tmp_path, finished=lambda: None):
    run = BuildRun(tmp_path, BuildOptions(), finished, [sys.executable, "-c", TALK.format(then=then)])
    run.start()
    return run


def follow(run):
    """Every state until it is over."""
    seen = [run.state]
    while seen[-1].state == "running":
        seen.append(run.wait(seen[-1].number, 20))
    return seen


def test_a_build_is_followed_to_its_end(tmp_path):
    opened = []
    seen = follow(start('tell(state="done", line="built")', tmp_path, lambda: opened.append(1)))
    assert (seen[-1].state, seen[-1].line) == ("done", "built")
    assert {one.state for one in seen[:-1]} <= {"running"}  # a child may be done before the first look
    assert (seen[-1].step, seen[-1].done, seen[-1].total) == ("frames", 1, 4)
    assert opened == [1]
    assert [one.number for one in seen] == sorted({one.number for one in seen})


def test_a_build_that_fails_says_why(tmp_path):
    opened = []
    told = follow(start('tell(state="failed", line="hero.mov: gone"); sys.exit(1)', tmp_path, lambda: opened.append(1)))
    assert (told[-1].state, told[-1].line, opened) == ("failed", "hero.mov: gone", [])
    crashed = follow(start('raise RuntimeError("a fault")', tmp_path))[-1]
    assert crashed.state == "failed" and "a fault" in crashed.line


def test_a_build_is_stopped_once_and_there_is_one_at_a_time(tmp_path):
    run = start("time.sleep(60)", tmp_path)
    while run.state.step != "frames":
        run.wait(run.state.number, 20)
    with pytest.raises(SettingError, match="is running already"):
        run.start()
    assert run.cancel()
    assert follow(run)[-1].state == "stopped"
    assert not run.cancel()
    run.close()


def test_the_end_of_the_page_ends_its_build(tmp_path):
    run = start("time.sleep(60)", tmp_path)
    while run.state.step != "frames":
        run.wait(run.state.number, 20)
    run.close()
    assert follow(run)[-1].state == "stopped"


def test_what_cannot_be_opened_again_is_told(tmp_path):
    def broken():
        raise SettingError("the shot file is gone")

    last = follow(start('tell(state="done", line="built")', tmp_path, broken))[-1]
    assert (last.state, last.line) == ("failed", "built, but it cannot be opened again: the shot file is gone")


def test_lines_that_are_no_json_are_shown_and_others_believed_in_part():
    state = take_line(BuildState("running"), "Traceback: <b>\n")
    assert state.line == "Traceback: <b>"
    assert take_line(state, json.dumps({"number": 99, "done": 3})) == BuildState("running", done=3, line=state.line)
    assert take_line(state, "[1]") == state


@pytest.mark.parametrize(
    ("code", "state", "said"),
    [(130, "stopped", ""), (-2, "stopped", ""), (1, "failed", ""), (-11, "failed", "SIGSEGV")],
)
def test_a_build_that_ends_without_a_word(code, state, said):
    ended = end_without_word(BuildState("running", line="frames"), code)
    assert ended.state == state and said in ended.line


def test_the_build_gets_the_options_of_the_page(tmp_path):
    words = command_of(tmp_path / "a b.toml", BuildOptions(ocio=tmp_path / "c.ocio", memory_bytes=5, threads=2))
    assert words[-2] == str(tmp_path / "a b.toml")
    assert json.loads(words[-1]) == {
        "ocio": str(tmp_path / "c.ocio"), "memory_bytes": 5, "threads": 2, "keep_readable": False,
    }  # fmt: skip


def test_a_build_that_cannot_be_started_is_none_that_runs(tmp_path):
    run = BuildRun(tmp_path, BuildOptions(), lambda: None, [str(tmp_path / "nowhere")])
    for _ in range(2):
        with pytest.raises(SettingError, match="could not be started"):
            run.start()
    assert run.state.state == "idle" and not run.cancel()


STARTER = """
import sys, time
from pathlib import Path
from lightstack.jobs.review.render import BuildRun
from lightstack.jobs.takes.options import BuildOptions
run = BuildRun(Path(sys.argv[1]), BuildOptions(threads=1), lambda: None)
run.start()
while run.state.state == "running":
    run.wait(run.state.number, 20)
    if run.state.step:
        print(run._process.pid, flush=True)
        time.sleep(60)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_build_does_not_outlive_whoever_started_it(small_sweep, tmp_path):
    (tmp_path / "shot.toml").write_text(f'[[sweep]]\npath = "{small_sweep}"\n')
    with subprocess.Popen([sys.executable, "-c", STARTER, tmp_path / "shot.toml"], stdout=subprocess.PIPE) as starter:
        build = int(starter.stdout.readline())
        starter.kill()
    began = time.monotonic()
    while is_at_work(build) and time.monotonic() - began < 12:
        time.sleep(0.05)
    assert not is_at_work(build)
    assert not (tmp_path / "out" / "report.html").exists()  # it did not come to its end by itself
    assert not list(tmp_path.glob("out/**/*.part*"))  # and cleared up


def is_at_work(pid):
    """Whether a process is there and has not ended."""
    try:
        return "State:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return False


def test_a_build_hears_the_end_of_its_starter_as_an_interruption(tmp_path):
    code = (
        "import threading, time; from lightstack.jobs.review.child import stop_with_starter\n"
        "threading.Thread(target=stop_with_starter, args=(0,), daemon=True).start()\n"
        "try: print('ready', flush=True), time.sleep(60)\nexcept KeyboardInterrupt: print('cleared up', flush=True)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout.readline() == b"ready\n"
        os.write(process.stdin.fileno(), b"more")  # what is written says nothing
        time.sleep(0.5)
        assert process.poll() is None
        process.stdin.close()
        assert process.stdout.read() == b"cleared up\n"
    assert process.returncode != -signal.SIGKILL
