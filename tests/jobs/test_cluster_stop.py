"""Ctrl-C at work on a real cluster: one line, nobody goes on working, nothing half-written; the next build goes on."""

import json
import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from made import make_room, write_movie

from lightstack.files.folder import SCRATCH

SHOT = """
[shot]
name = "den"
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
[[sweep]]
path = "sweep.mkv"
max_keys = 8
[[light]]
[light.mix]
points = [[1003, 0.0], [1006, 0.4]]
[render]
elements = ["light", "hero_clean", "holdout"]
"""
PATIENCE_S = 300.0


def list_work():
    """Give what a worker is at work on, by the names of the functions that do it."""
    from lightstack.jobs.spread import worker

    return [worker._known[job][0].__name__ for job in list(worker._at_work) if job in worker._known]


def count_work():
    """Count the pieces that a worker is at work on."""
    from lightstack.jobs.spread import worker

    return worker._at_work.total()


def is_at(client, stage):
    return any(stage in work for work in client.run(list_work).values())


def build(shot, address):
    words = [sys.executable, "-m", "lightstack", "build", str(shot), "--cluster", address, "--quiet"]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def wait_until(holds, seconds):
    begun = time.monotonic()
    while not holds() and time.monotonic() - begun < seconds:
        time.sleep(0.01)
    assert holds()


@pytest.fixture(scope="module")
def takes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("takes")
    write_movie(make_room(4, size=(144, 256), frames=24, take="hero", lead=3), folder / "hero.mkv")
    write_movie(make_room(4, size=(144, 256), frames=8, take="empty", bump_px=0, turn_deg=0), folder / "empty.mkv")
    write_movie(make_room(4, size=(144, 256), frames=60, lead=10), folder / "sweep.mkv")
    return folder


@pytest.mark.slow
def test_ctrl_c_stops_the_workers_and_leaves_nothing_half_written(takes):
    from distributed import Client, LocalCluster

    shot = takes / "shot.toml"
    shot.write_text(SHOT)
    out = takes / "out"
    local = LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
    )
    with local as cluster, Client(cluster, set_as_default=False) as client:
        for stage in ("survey_some", "write_stills", "make_some"):
            run = build(shot, cluster.scheduler_address)
            wait_until(partial(is_at, client, stage), PATIENCE_S)
            os.kill(run.pid, signal.SIGINT)
            said, told = run.communicate(timeout=60)
            assert run.returncode == 130 and not said
            assert told.splitlines() == ["lightstack: stopped; nothing half-written is left behind"], stage
            assert set(client.run(count_work).values()) == {0}, stage
            wait_until(lambda: not cluster.scheduler.tasks, 10)
            left = [path.name for path in out.rglob("*") if ".part" in path.name or path.suffix == ".job"]
            assert not left and not (out / SCRATCH / "spread").exists(), stage
            time.sleep(0.5)
            assert [path.name for path in out.rglob("*.exr") if path.stat().st_size == 0] == []
        run = build(shot, cluster.scheduler_address)
        _, told = run.communicate(timeout=PATIENCE_S)
    assert run.returncode == 0, told
    assert json.loads(Path(out / SCRATCH / "run.json").read_text())["cluster"]["workers"]
