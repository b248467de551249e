"""One at a time works in an output folder; a crash lets go of it."""

import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import asdict, replace
from types import SimpleNamespace

import pytest

from lightstack.errors import OutputError
from lightstack.files import folder_lock
from lightstack.files.folder import SCRATCH, claim_folder, claimed_folder, steady_folder
from lightstack.files.folder_lock import PAGE, FolderBusy, folder_is_busy, held_folder

HOLD = """
import sys, time
from pathlib import Path
from lightstack.files.folder_lock import held_folder
with held_folder(Path(sys.argv[1]), "work"):
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_folder_is_held_by_one(tmp_path):
    assert not folder_is_busy(tmp_path)
    with held_folder(tmp_path, "work"):
        assert folder_is_busy(tmp_path)
        said = r"another lightstack \(process \d+ since .*\) is at work in it; wait"
        with pytest.raises(FolderBusy, match=said), held_folder(tmp_path, "work"):
            pass
    assert not folder_is_busy(tmp_path)
    with held_folder(tmp_path, "work"):
        pass


def test_a_build_waits_for_a_page_but_not_for_ever(tmp_path):
    held, let_go = threading.Event(), threading.Event()

    def look():
        with held_folder(tmp_path, PAGE):
            held.set()
            let_go.wait(10)

    page = threading.Thread(target=look)
    page.start()
    held.wait(10)
    with pytest.raises(FolderBusy, match="a review page"), held_folder(tmp_path, "work", patience_s=0.05):
        pass
    threading.Timer(0.1, let_go.set).start()
    with held_folder(tmp_path, "work"):
        page.join(10)
        assert not page.is_alive()


def test_who_is_killed_lets_go(tmp_path):
    with subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "held\n"
        assert folder_is_busy(tmp_path)
        with pytest.raises(FolderBusy, match=f"process {other.pid}"), held_folder(tmp_path, "work"):
            pass
        other.kill()
    until = time.monotonic() + 10
    while folder_is_busy(tmp_path) and time.monotonic() < until:
        time.sleep(0.01)
    with held_folder(tmp_path, "work"):
        pass


def test_a_second_build_is_refused_and_breaks_nothing_of_the_first(tmp_path):
    with claimed_folder(tmp_path / "out") as first:
        (first.path / "half.exr").write_bytes(b"x")
        with pytest.raises(OutputError, match="is at work in it"), claimed_folder(tmp_path / "out"):
            pass
        assert (first.path / "half.exr").exists()


GONE = 2**22 - 1  # no process: the largest number that Linux gives to any is one less than 2^22


def leave_note(scratch, **changes):
    """Write what somebody who was killed has left, and return it."""
    holder = folder_lock.describe_self("work")
    holder = replace(holder, **{"pid": GONE, "command": "lightstack build den.toml", **changes})
    (scratch / folder_lock.NAME).write_text(json.dumps(asdict(holder)))
    return holder


@pytest.fixture
def without_locks(monkeypatch):
    """A file system that knows no locks: then only the note tells."""
    monkeypatch.setattr(folder_lock, "lock", lambda number: None)
    monkeypatch.setattr(folder_lock, "BLINK_S", 0.0)


def test_who_was_killed_is_told_and_what_they_had_finished_is_kept(tmp_path):
    said = SimpleNamespace(lines=[])
    said.say = lambda line, level=0: said.lines.append(line)
    with claimed_folder(tmp_path / "out", said) as folder:
        (folder.path / "plate.exr").write_bytes(b"x")
    leave_note(tmp_path / "out" / SCRATCH)
    with claimed_folder(tmp_path / "out", said) as folder:
        assert (folder.path / "plate.exr").exists()
    assert len(said.lines) == 1 and f"process {GONE}" in said.lines[0] and "lightstack build den.toml" in said.lines[0]
    with claimed_folder(tmp_path / "out", said):
        pass
    assert len(said.lines) == 1


@pytest.mark.parametrize("changes", [{}, {"boot": "another start of this machine", "pid": os.getpid()}])
def test_without_locks_a_note_of_somebody_who_has_ended_holds_nobody_up(tmp_path, without_locks, changes):
    holder = leave_note(tmp_path, **changes)
    assert not folder_is_busy(tmp_path)
    with held_folder(tmp_path, "work") as left:
        assert left == holder


def test_without_locks_a_note_of_somebody_who_runs_counts(tmp_path, without_locks):
    with held_folder(tmp_path, "work"):
        assert folder_is_busy(tmp_path)
        with pytest.raises(FolderBusy, match=f"process {os.getpid()} since "), held_folder(tmp_path, "work"):
            pass
    assert not folder_is_busy(tmp_path)


def test_without_locks_nobody_knows_whether_another_machine_still_works(tmp_path, without_locks):
    leave_note(tmp_path, host="farm-7")
    said = f"process {GONE} on farm-7 since .* is at work in it; .*where farm-7 has stopped for good, remove .*at_work"
    with pytest.raises(FolderBusy, match=said), held_folder(tmp_path, "work"):
        pass


@pytest.mark.parametrize("broken", [b"", b"work 12", b"[1]", b"\xff", b'{"pid": 1}', b"9" * 9000])
def test_a_note_that_cannot_be_read_holds_nobody_up(tmp_path, without_locks, broken):
    (tmp_path / folder_lock.NAME).write_bytes(broken)
    with held_folder(tmp_path, "work") as left:
        assert left is None


def test_a_lock_that_was_cleared_away_under_somebody_is_none(tmp_path):
    with held_folder(tmp_path, "work"):
        number = folder_lock.open_lock(tmp_path)
        (tmp_path / folder_lock.NAME).unlink()  # as a failed first build clears its folder
        assert not folder_lock.is_in_place(number, tmp_path)
        os.close(number)
        with held_folder(tmp_path, "work"):
            assert (tmp_path / folder_lock.NAME).exists()


def test_a_folder_that_is_read_is_left_alone_by_builds_and_one_that_nobody_can_write_is_read(tmp_path, monkeypatch):
    out = claim_folder(tmp_path / "out").path
    with steady_folder(out), pytest.raises(FolderBusy), claimed_folder(out):
        pass
    with claimed_folder(out), pytest.raises(FolderBusy), steady_folder(out):
        pass
    with steady_folder(tmp_path / "nothing"):
        pass
    monkeypatch.setattr(os, "access", lambda *_: False)
    with held_folder(out / SCRATCH, "work"), steady_folder(out):
        pass
