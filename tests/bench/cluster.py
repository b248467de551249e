"""What a cluster gains: measured here from one worker to two, and many shots on many workers as a simulation.

``python tests/bench/cluster.py [--shots 1000] [--workers 64]`` draws a made shot, builds it over one worker and two
of one thread each (every worker a process that is held to one processor), and prints wall times and the share of each
step. From the same times it simulates a schedule: the steps that are not spread run one after the other
where the command was typed, so many shots at a time; the pieces of the others go to whichever worker is free.
"""

from __future__ import annotations

import argparse
import heapq
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

SPREAD = ("lamp stills", "hold-out", "frames")  # steps whose pieces go to workers; "plate" is part of no step
SHOT = """
[shot]
name = "bench"
[takes.hero]
path = "hero.mkv"
[takes.empty]
path = "empty.mkv"
[[sweep]]
path = "sweep.mkv"
max_keys = 24
[[light]]
[light.mix]
points = [[1003, 0.0], [1010, 0.4]]
[render]
elements = ["light", "hero_clean", "holdout"]
"""


def draw_shot(folder: Path, size: tuple[int, int], frames: int) -> Path:
    """Draw a made shot and return its file."""
    from made import make_room, write_movie

    write_movie(make_room(4, size=size, frames=frames, take="hero", lead=3), folder / "hero.mkv")
    write_movie(make_room(4, size=size, frames=8, take="empty", bump_px=0, turn_deg=0), folder / "empty.mkv")
    write_movie(make_room(4, size=size, frames=60, lead=10), folder / "sweep.mkv")
    (folder / "shot.toml").write_text(SHOT)
    return folder / "shot.toml"


def time_build(shot: Path, address: str | None) -> dict[str, float]:
    """Build from nothing; return seconds by step, and of all under "all"."""
    from lightstack.files.folder import read_json
    from lightstack.jobs.shot.build import build_shot
    from lightstack.jobs.takes.options import BuildOptions

    class Silent:
        def say(self, line: str, *, level: int = 0) -> None: ...

        def step(self, name: str, total: int | None):  # type: ignore[no-untyped-def]
            from contextlib import nullcontext

            return nullcontext(self)

        def advance(self, count: int = 1) -> None: ...

    shutil.rmtree(shot.parent / "out", ignore_errors=True)
    begun = time.perf_counter()
    build_shot(shot, options=BuildOptions(cluster=address, threads=1), progress=Silent())
    whole = time.perf_counter() - begun
    return {**read_json(shot.parent / "out" / ".lightstack" / "run.json")["steps"], "all": whole}


def is_spread(step: str) -> bool:
    """Tell whether a step's pieces go to workers."""
    return step.startswith(SPREAD[0]) or step in SPREAD[1:]


def with_workers(shot: Path, count: int) -> dict[str, float]:
    """Time a build over workers of one thread each, which have loaded what they need."""
    from importlib import import_module

    from distributed import Client, LocalCluster

    with LocalCluster(
        n_workers=count, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
    ) as cluster:
        for k, worker in enumerate(cluster.workers.values()):
            os.sched_setaffinity(worker.pid, {k % (os.cpu_count() or 1)})
        with Client(cluster, set_as_default=False) as client:
            client.run(import_module, "lightstack.jobs.shot.build")
        return time_build(shot, cluster.scheduler_address)


def simulate(steps: dict[str, float], *, shots: int, workers: int, jobs: int, pieces: int = 24) -> tuple[float, float]:
    """Return the hours that many shots take, and how busy the workers are.

    ``jobs``: shots built at a time, each with a processor of its own where the command was typed. Every spread step is
    cut into ``pieces``; a shot's steps follow each other.
    """
    order = [(is_spread(name), seconds) for name, seconds in steps.items() if name != "all"]
    rest = steps["all"] - sum(seconds for _, seconds in order)
    order.append((False, max(rest, 0.0)))
    free = [0.0] * workers
    heapq.heapify(free)
    running = [(0.0, shot, 0) for shot in range(min(jobs, shots))]
    heapq.heapify(running)
    begun, end, busy = len(running), 0.0, 0.0
    while running:
        now, shot, at = heapq.heappop(running)
        if at == len(order):
            end = max(end, now)
            if begun < shots:
                heapq.heappush(running, (now, begun, 0))
                begun += 1
            continue
        spread, seconds = order[at]
        done = now + seconds
        if spread:
            done = now
            for _ in range(pieces):
                start = max(now, heapq.heappop(free))
                heapq.heappush(free, start + seconds / pieces)
                done = max(done, start + seconds / pieces)
            busy += seconds
        heapq.heappush(running, (done, shot, at + 1))
    return end / 3600, busy / (end * workers)


def main() -> None:
    """Print what was measured, then what was simulated from it."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--shots", type=int, default=1000)
    words.add_argument("--workers", type=int, default=64)
    words.add_argument("--height", type=int, default=360)
    words.add_argument("--frames", type=int, default=48)
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as place:
        shot = draw_shot(Path(place), (given.height, given.height * 16 // 9), given.frames)
        one, two = with_workers(shot, 1), with_workers(shot, 2)
    spread = {name: seconds for name, seconds in one.items() if is_spread(name)}
    print(f"measured, {given.frames} frames of {given.height * 16 // 9} x {given.height}:")
    for name in (*spread, "all"):
        print(f"  {name}: {one[name]:.1f} s with 1 worker, {two[name]:.1f} s with 2, "
              f"efficiency {one[name] / (2 * two[name]):.0%}")  # fmt: skip
    share = sum(spread.values()) / one["all"]
    print(f"  {share:.0%} of the time of one worker is in steps that are spread")
    for jobs in (1, 4, 16, given.workers):
        hours, busy = simulate(one, shots=given.shots, workers=given.workers, jobs=jobs)
        print(f"simulated, {given.shots} such shots, {given.workers} workers, {jobs} shots at a time: {hours:.2f} h, "
              f"workers busy {busy:.0%}")  # fmt: skip


if __name__ == "__main__":
    main()
