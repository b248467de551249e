"""A decoder that dies over a file: one line that names it, exit 1; all else goes through as if nobody watched."""

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only there a child does the work")

CHILD = """
import os, signal, sys, time
from pathlib import Path
from lightstack.cli import main as command_line
from lightstack.files.reading import reading

def work(words):
    try:
        print("ready", os.getpid(), file=sys.stderr, flush=True)
        WORK
    except KeyboardInterrupt:
        time.sleep(0.3)  # a second one would break this off
        print("cleared up", flush=True)
        return 130
    return 0

command_line.run = work  # so that nothing heavy is loaded
command_line.main()
"""
DIE_READING = "\n        ".join((
    "with reading(Path('whole.mov')), reading(Path('broken.mov')):",
    "    os.kill(os.getpid(), signal.{})",
    "    time.sleep(60)",
))  # fmt: skip


def start(work, *words, **streams):
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams}
    return subprocess.Popen([sys.executable, "-c", CHILD.replace("WORK", work), *words], text=True, **pipes)


def finish(work, *words):
    with start(work, *words) as process:
        out, err = process.communicate(timeout=60)
    return process.returncode, out, [line for line in err.splitlines() if not line.startswith("ready")]


@pytest.mark.parametrize("name", ["SIGSEGV", "SIGABRT"])
def test_a_crash_while_reading_is_that_files_fault(name):
    code, out, lines = finish(DIE_READING.format(name))
    assert (code, out, len(lines)) == (1, "", 1)
    assert lines[0].startswith("lightstack: broken.mov (or whole.mov, open too): ")
    assert name in lines[0] and "copy it again" in lines[0]


DIE_AT_WORK = """import numpy as np
        from unittest import mock
        from lightstack.{module} import {function}
        die = mock.Mock(side_effect=lambda *given, **more: os.kill(os.getpid(), signal.SIGSEGV))
        with reading(Path('whole.mov')), mock.patch('lightstack.{module}.{inner}', die):
            {function}({given})
            time.sleep(60)"""


@pytest.mark.parametrize(
    ("module", "function", "inner", "given", "blamed"),
    [
        ("core.regions", "keep_large", "cv2.connectedComponentsWithStats", "np.ones((4, 4), np.uint8), 1", False),
        ("files.write.plates", "encode_png", "np.ascontiguousarray", "np.ones((4, 4, 3), np.uint8)", False),
        ("files.write.plates", "read_exr", "_opened", "Path('a.exr')", True),
        ("files.read.stills", "read_still", "load_pictures", "Path('a.exr')", True),
    ],
)
def test_only_what_reads_a_file_is_blamed_on_it(module, function, inner, given, blamed):
    code, _, lines = finish(DIE_AT_WORK.format(module=module, function=function, inner=inner, given=given))
    assert code == 1
    if blamed:
        assert len(lines) == 1 and "whole.mov" in lines[0] and "the program died while this was read" in lines[0]
    else:
        assert "whole.mov" not in lines[-1] and "report it" in lines[-1]
        assert f"at its own work ({module.replace('.', '/')}.py, line " in lines[-1]
        assert any(f"in {function}" in line for line in lines)


def test_what_the_system_kills_is_told_too():
    code, _, lines = finish(DIE_READING.format("SIGKILL"))
    assert code == 1 and len(lines) == 1
    assert "broken.mov" in lines[0] and "memory" in lines[0]


def test_json_stays_pure():
    code, out, lines = finish(DIE_READING.format("SIGSEGV"), "--json")
    assert code == 1 and len(lines) == 1
    answer = json.loads(out)
    assert answer["error"]["kind"] == "Crash" and "broken.mov" in answer["error"]["line"]


def test_a_crash_of_our_own_shows_its_traceback():
    code, _, lines = finish("os.kill(os.getpid(), signal.SIGSEGV)")
    assert code == 1
    assert any("in work" in line for line in lines) and "read no file" in lines[-1]


@pytest.mark.parametrize(("work", "code"), [("raise SystemExit(3)", 3), ("1 / 0", 1)])
def test_exit_codes_are_kept(work, code):
    assert finish(work)[0] == code


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGTERM, -signal.SIGTERM), (signal.SIGINT, 130)])
def test_what_is_sent_to_the_parent_reaches_the_child(sent, code):
    with start("time.sleep(60)") as process:
        child = int(process.stderr.readline().split()[1])
        assert child != process.pid
        process.send_signal(sent)
        process.communicate(timeout=60)
    assert process.returncode == code
    assert not is_alive(child)


def test_a_child_does_not_outlive_a_killed_parent():
    with start("time.sleep(60)") as process:
        child = int(process.stderr.readline().split()[1])
        process.kill()
        process.communicate(timeout=60)  # its streams end when the child does
    assert not is_alive(child)


def is_alive(pid):
    """Whether a process still runs; one that has ended may wait a moment to be cleared away."""
    for _ in range(100):
        try:
            if "State:\tZ" in Path(f"/proc/{pid}/status").read_text():
                return False
        except OSError:
            return False
        time.sleep(0.05)
    return True


def test_ctrl_c_in_a_terminal_comes_once():
    # the terminal sends it to parent and child alike: a second one handed on would break off the clearing up
    ours, its = os.openpty()
    code = CHILD.replace("WORK", "time.sleep(60)").replace("import os,", "import fcntl, termios, os,", 1)
    code = code.replace("def work", "fcntl.ioctl(0, termios.TIOCSCTTY, 0)\n\ndef work", 1)  # its terminal
    streams = {"stdin": its, "stdout": its, "stderr": its, "start_new_session": True}
    with subprocess.Popen([sys.executable, "-c", code], **streams) as process:
        os.close(its)
        seen = b""
        while b"ready" not in seen:
            seen += os.read(ours, 4096)
        os.write(ours, b"\x03")
        with suppress(OSError):  # EIO: nobody holds the other end any more
            while chunk := os.read(ours, 4096):
                seen += chunk
        os.close(ours)
    assert process.returncode == 130
    assert b"cleared up" in seen
