"""Watch what a process and its children hold in memory while they run (Linux)."""

from __future__ import annotations

import subprocess
import threading
from pathlib import Path

PROC = Path("/proc")
FIELDS = ("Pss_Anon", "Pss_Shmem")  # anonymous and shared memory; mapped files can be dropped at any time


def read_tree(root: int) -> list[int]:
    """Process ids of a process and everything below it."""
    tree, waiting = [], [root]
    while waiting:
        pid = waiting.pop()
        tree.append(pid)
        for listing in (PROC / str(pid) / "task").glob("*/children"):
            try:
                waiting += map(int, listing.read_text().split())
            except OSError:
                continue  # the thread has ended
    return tree


def read_held(root: int) -> int:
    """Anonymous plus shared memory of a process tree, in kB."""
    held = 0
    for pid in read_tree(root):
        try:
            lines = (PROC / str(pid) / "smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        held += sum(int(line.split()[1]) for line in lines if line.startswith(FIELDS))
    return held


def run_watched(command: list[str], *, every_s: float = 0.1) -> tuple[subprocess.CompletedProcess, float | None]:
    """Run a command to its end; return it and the most its tree held in MiB (None where /proc is missing)."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    ended, peak = threading.Event(), [0]

    def watch() -> None:
        while not ended.wait(every_s):
            peak[0] = max(peak[0], read_held(process.pid))

    watcher = threading.Thread(target=watch)
    watcher.start()
    out, err = process.communicate()
    ended.set()
    watcher.join()
    done = subprocess.CompletedProcess(command, process.returncode, out, err)
    return done, peak[0] / 1024 if (PROC / "self" / "smaps_rollup").exists() else None
