"""What a cluster gains: measured here from one worker to two, and many shots on many workers as a simulation.

``python tests/bench/cluster.py [--shots 1000] [--workers 64]`` draws a made shot and builds it over two workers of one
thread each (every worker a process that is held to one processor), once for warmth and once to be measured, then over
one of them. It prints the wall time of every step, and of steps that give out pieces how long these were on their way
from the first one's beginning to the last one's end, as the scheduler saw them: efficiency is reckoned from that.

From the pieces and the times between them, as measured with one worker, it simulates a schedule: what is not spread
runs one after the other where the command was typed, with a processor for each of so many shots at a time; pieces go
to whichever worker is free first. Which of the two is the bottleneck is named with what it would take at the least.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import time
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench.schedule import Part, name_bottleneck, simulate

BETWEEN = "between steps"  # the plate's accumulation among it
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


# --- measuring ---


@dataclass
class Watched:
    """Progress that notes when which step was the innermost one, in seconds since the epoch."""

    begins: list[float] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=lambda: [BETWEEN])

    def mark(self) -> None:
        self.begins.append(time.time())
        self.names.append(self.open[-1])

    def say(self, line: str, *, level: int = 0) -> None: ...

    @contextmanager
    def step(self, name: str, total: int | None) -> Iterator[Watched]:
        self.open.append(name)
        self.mark()
        try:
            yield self
        finally:
            self.open.pop()
            self.mark()

    def advance(self, count: int = 1) -> None: ...


def cut_parts(watched: Watched, end: float, pieces: Sequence[tuple[float, float]]) -> list[Part]:
    """Return the parts of a build in order; ``pieces``: when each began, ascending, and how many seconds it took."""
    ends, first = [*watched.begins[1:], end], 0.0
    parts = [Part(name, b - a) for name, a, b in zip(watched.names, watched.begins, ends, strict=True)]
    for begun, seconds in pieces:
        part = parts[max(0, bisect_right(watched.begins, begun) - 1)]
        first = begun if not part.pieces else first
        part.pieces.append(seconds)
        part.span = max(part.span, begun + seconds - first)
    return [part for part in parts if part.seconds > 0]


def list_pieces(records: Sequence[dict[str, Any]], since: float) -> list[tuple[float, float]]:
    """Return when each piece of work began after a moment, and how many seconds it took, as the scheduler saw it."""
    computed = (
        (move["start"], move["stop"] - move["start"])
        for record in records
        if str(record["key"]).startswith("lightstack-")
        for move in record["startstops"]
        if move["action"] == "compute"
    )
    return sorted(piece for piece in computed if piece[0] >= since)


def time_build(shot: Path, address: str) -> tuple[Watched, float]:
    """Build from nothing; return which steps were when, and when it ended."""
    from lightstack.jobs.shot.build import build_shot
    from lightstack.jobs.takes.options import BuildOptions

    shutil.rmtree(shot.parent / "out", ignore_errors=True)
    watched = Watched()
    watched.mark()
    build_shot(shot, options=BuildOptions(cluster=address, threads=1), progress=watched)
    return watched, time.time()


def hold(processor: int) -> None:
    """Hold every thread of this process, and those that they will begin, to one processor."""
    import os

    for thread in os.listdir("/proc/self/task"):
        os.sched_setaffinity(int(thread), {processor})


def measure_both(shot: Path) -> tuple[list[Part], list[Part]]:
    """Measure a build over one worker, and over two of one thread each, which have done it before."""
    from distributed import Client, LocalCluster

    local = LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
    )
    with local as cluster, Client(cluster, set_as_default=False) as client:
        for k, worker in enumerate(list_workers(client)):
            client.run(hold, k % usable(), workers=[worker])
        time_build(shot, cluster.scheduler_address)
        client.get_task_stream()  # from now on they are noted
        two = measure(shot, cluster.scheduler_address, client)
        cluster.scale(1)
        while len(list_workers(client)) > 1:
            time.sleep(0.1)
        return measure(shot, cluster.scheduler_address, client), two


def list_workers(client: Any) -> list[str]:
    """Return the addresses of the workers."""
    return sorted(client.scheduler_info(n_workers=-1)["workers"])


def measure(shot: Path, address: str, client: Any) -> list[Part]:
    """Measure a build."""
    begun = time.time()
    watched, end = time_build(shot, address)
    return cut_parts(watched, end, list_pieces(client.get_task_stream(), begun))


def usable() -> int:
    """Return how many processors there are to hold workers to."""
    from lightstack.files.processors import usable_processors

    return usable_processors()


# --- telling ---


def sum_up(parts: Sequence[Part]) -> dict[str, Part]:
    """Return parts of one name as one, those with pieces first."""
    found: dict[str, Part] = {}
    for part in parts:
        whole = found.setdefault(part.name, Part(part.name, 0.0))
        whole.seconds += part.seconds
        whole.span += part.span
        whole.pieces += part.pieces
    return dict(sorted(found.items(), key=lambda item: (not item[1].pieces, -item[1].seconds)))


def tell_measured(one: Sequence[Part], two: Sequence[Part]) -> None:
    """Print the times of both builds, step by step and in all."""
    ours, others = sum_up(one), sum_up(two)
    for name, part in ours.items():
        if part.seconds < 0.05:
            continue
        other = others.get(name, Part(name, 0.0))
        line = f"  {name}: {part.seconds:.2f} s, {other.seconds:.2f} s"
        if part.pieces:
            line += (
                f"; {len(part.pieces)} pieces on their way {part.span:.2f} s, work {sum(part.pieces):.2f} s "
                f"({len(other.pieces)}, {other.span:.2f} s, {sum(other.pieces):.2f} s), efficiency "
                f"{part.span / (2 * max(other.span, 1e-9)):.0%}"
            )
        print(line)
    spread = [sum(part.span for part in parts) for parts in (one, two)]
    whole = [sum(part.seconds for part in parts) for parts in (one, two)]
    print(f"  all that is spread: {spread[0]:.2f} s, {spread[1]:.2f} s, efficiency {spread[0] / (2 * spread[1]):.0%}")
    print(f"  the whole build: {whole[0]:.2f} s, {whole[1]:.2f} s, efficiency {whole[0] / (2 * whole[1]):.0%}")


def main() -> None:
    """Print what was measured, then what was simulated from it."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--shots", type=int, default=1000)
    words.add_argument("--workers", type=int, default=64)
    words.add_argument("--height", type=int, default=270)
    words.add_argument("--frames", type=int, default=48)
    given = words.parse_args()
    with tempfile.TemporaryDirectory() as place:
        shot = draw_shot(Path(place), (given.height, given.height * 16 // 9), given.frames)
        one, two = measure_both(shot)
    print(f"measured with 1 worker and with 2, {given.frames} frames of {given.height * 16 // 9} x {given.height}:")
    tell_measured(one, two)
    print(f"simulated, {given.shots} such shots on {given.workers} workers:")
    for jobs in sorted({1, 4, 16, given.workers}):
        found = simulate(one, shots=given.shots, workers=given.workers, jobs=jobs)
        print(
            f"  {jobs} shots at a time: {found.hours:.2f} h, workers busy {found.workers_busy:.0%}, processors where "
            f"the command was typed {found.ours_busy:.0%}; bottleneck: {name_bottleneck(one, given.workers, jobs)}"
        )


if __name__ == "__main__":
    main()
