"""One at a time works in an output folder; a crash lets go of it."""

import subprocess
import sys
import threading
import time

import pytest

from lightstack.errors import OutputError
from lightstack.files.folder import claimed_folder
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
        said = r"another lightstack \(process \d+\) is at work in it; wait"
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
