"""The rows of the table of speed: each measures one thing and gives the ratios that have an aim.

Beside a row stands what it is a multiple of, measured just before and after it in the same run, so that a machine that
others use too changes both. Aims are the project's own.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from bench.costs import ROOT, Cost, best_cost, decode_cost, run_tool, watch_tool
from bench.speed import make_long, make_take

TAKES = {"hd": "hd_h264", "uhd": "uhd_prores"}
SIZES = {"hd": (1080, 1920), "uhd": (2160, 3840)}


@dataclass(frozen=True)
class Row:
    """One figure: ``aim`` is the most it may be, or the least where ``more`` is better; None has no aim."""

    name: str
    value: float
    aim: float | None = None
    more: bool = False
    note: str = ""

    @property
    def reached(self) -> bool | None:
        if self.aim is None or self.value != self.value:
            return None
        return self.value >= self.aim if self.more else self.value <= self.aim


@dataclass(frozen=True)
class Bench:
    """Where takes and results lie, and the source tree that is measured."""

    folder: Path
    tree: Path = ROOT
    repeats: int = 2

    def take(self, size: str) -> Path:
        return make_take(self.folder, TAKES[size])

    def out(self) -> Path:
        out = self.folder / "out"
        shutil.rmtree(out, ignore_errors=True)
        return out


def beside_decoding(
    bench: Bench, path: Path, name: str, aim: float, run: Callable[[], tuple[Cost, float | None]]
) -> Iterator[Row]:
    """Give a run's cost over that of decoding as many frames as it decoded, cold (the first) and warm (the best of
    the others); ``run`` gives its cost and how many frames it decoded (None: every frame once)."""
    bare, frames = decode_cost(path)
    for k in range(1 + bench.repeats):
        cost, decoded = run()
        after, _ = decode_cost(path)
        equal = Cost((bare.wall + after.wall) / 2, (bare.processor + after.processor) / 2)
        equal, bare = equal.share(1 if decoded is None else decoded / frames), after
        wall, processor = cost.over(equal)
        note = f"{cost.wall:.1f} s, decoding alone {equal.wall:.1f} s"
        label = "cold" if k == 0 else f"warm {k}"
        yield Row(f"{name}, {label}: wall / decoding", wall, aim, note=note)
        yield Row(f"{name}, {label}: processor / decoding", processor, note=f"{cost.processor:.1f} s")


def measure_plate(bench: Bench, size: str) -> Iterator[Row]:
    path = bench.take(size)

    def run() -> tuple[Cost, float]:
        cost, printed = run_tool(["plate", str(path), "-o", str(bench.out()), "--json", "--quiet"], tree=bench.tree)
        words = json.loads(printed)["numbers"]["sweep"]["frames decoded"].replace(",", "").split()
        return cost, float(words[0])

    yield from beside_decoding(bench, path, f"plate {size}", 1.25, run)


def measure_inspect(bench: Bench, size: str) -> Iterator[Row]:
    path = bench.take(size)

    def run() -> tuple[Cost, None]:
        return run_tool(["inspect", str(path), "--json"], tree=bench.tree, fine=(0, 3))[0], None

    yield from beside_decoding(bench, path, f"inspect {size}", 1.15, run)


def measure_clean(bench: Bench, size: str) -> Iterator[Row]:
    """The reduction of 31 frames (one channel, 10 bits in 16) beside numpy's median and ffmpeg's filter."""
    from bench.clean import COUNT, made_frames, race_ffmpeg
    from lightstack.core.clean.median import reduce_frames

    frames = made_frames(np.uint16, SIZES[size])
    reduce_frames(frames, rows=(0, 8))
    ours, theirs = best_cost(partial(reduce_frames, frames)), best_cost(partial(np.median, frames, axis=0), 1)
    exact = np.array_equal(reduce_frames(frames).light, np.median(frames.astype(np.float32), axis=0))
    yield Row(f"clean {size}: numpy.median / ours, processor", theirs.processor / ours.processor, 10.0, more=True)
    yield Row(f"clean {size}: equal to numpy.median", float(exact), 1.0, more=True, note=f"{COUNT} frames")
    filtered = race_ffmpeg(frames)
    if filtered is not None:
        yield Row(f"clean {size}: ffmpeg tmedian / ours, wall of a median", filtered / ours.wall, 5.0, more=True)


def measure_planes(bench: Bench, size: str) -> Iterator[Row]:
    """Coded planes to linear float R, G, B beside a plain copy of the result."""
    from lightstack.files.read.takes import open_take

    with open_take(bench.take(size)) as take:
        frame = next(iter(take.frames(1, 1)))
        out = take.linear(frame)
        copy = np.empty_like(out)
        ours, plain = best_cost(lambda: take.linear(frame, out), 7), best_cost(lambda: np.copyto(copy, out), 7)
    wall, processor = ours.over(plain)
    yield Row(f"planes {size}: to linear light / copying it, wall", wall, 3.0, note=f"{1000 * ours.wall:.1f} ms")
    yield Row(f"planes {size}: to linear light / copying it, processor", processor)


def measure_render(bench: Bench, size: str) -> Iterator[Row]:
    """Finished frames with a light that travels between 24 stills, hold-out, light on the figure and grain, beside
    writing the same pictures (ZIP half floats)."""
    from bench.render import ELEMENTS, STILLS, make_hero, render, write_plain
    from lightstack.core.lamp.travel import MOST_STILLS

    height, width = SIZES[size]
    count, workers = 12, 2
    hero = make_hero(bench.folder / f"hero_{width}_{count}.mov", (width, height), count)
    out, plain = bench.folder / "frames", bench.folder / "plain"
    plain.mkdir(exist_ok=True)
    work = partial(render, hero, out, workers=workers, size=(width, height), whole=True, travels=True)
    work()
    ours = Cost(*work())
    theirs = Cost(*write_plain(plain, out, count=count, workers=workers))
    wall, processor = ours.over(theirs)
    written = sum(file.stat().st_size for file in out.glob("*.exr"))
    pictures = count * height * width / 2**20
    floats, halves = 12 * len(ELEMENTS) * pictures, 8 * MOST_STILLS * pictures
    note = f"{count} frames; {written / 2**20:.0f} MiB written from {floats:.0f} of floats, {halves:.0f} read of stills"
    note += f" ({MOST_STILLS} of {STILLS} a frame)"
    yield Row(f"render {size}: / writing the same pictures, wall", wall, 1.3, note=note)
    yield Row(f"render {size}: / writing the same pictures, processor", processor)


def measure_again(bench: Bench) -> Iterator[Row]:
    """A build of a small made shot, then another where nothing changed."""
    from made import make_room
    from made.movies import write_movie

    folder = bench.folder / "shot"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    room = make_room(3, frames=40, lead=10, size=(180, 320))
    for name in ("sweep", "hero"):
        write_movie(room, folder / f"{name}.mkv")
    head = '[shot]\nname = "den"\n[takes.hero]\npath = "hero.mkv"\n[[sweep]]\npath = "sweep.mkv"\n[[light]]\n'
    mix = "[light.mix]\nenvelope = { start = 1005, attack = 3, hold = 4, decay = 4 }\n"
    (folder / "shot.toml").write_text(head + mix)
    first, _ = run_tool(["build", str(folder / "shot.toml"), "--quiet"], tree=bench.tree)
    for movie in folder.glob("*.mkv"):  # whoever decodes a frame now fails: the stamp stays, the pictures are gone
        stamp = movie.stat()
        movie.write_bytes(bytes(stamp.st_size))
        os.utime(movie, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    costs = [run_tool(["build", str(folder / "shot.toml"), "--quiet"], tree=bench.tree)[0] for _ in range(3)]
    best = min(costs, key=lambda cost: cost.wall)
    yield Row("build again, nothing changed: seconds, no pixel read", best.wall, 1.0, note=f"first {first.wall:.1f} s")
    yield Row("build again, nothing changed: seconds of processor", best.processor)


def measure_start(bench: Bench) -> Iterator[Row]:
    helped = [run_tool(["--help"], tree=bench.tree)[0] for _ in range(4)]
    yield Row("--help: seconds", min(cost.wall for cost in helped), 0.4)
    command = [sys.executable, "-c", f"import sys; sys.path.insert(0, {str(bench.tree)!r}); import lightstack"]
    bare = best_cost(partial(subprocess.run, [sys.executable, "-c", "pass"], check=True))
    whole = best_cost(partial(subprocess.run, command, check=True))
    yield Row("import: seconds beyond an empty script", max(whole.wall - bare.wall, 0.0), 0.6)


def measure_memory(bench: Bench, size: str) -> Iterator[Row]:
    """Peak of anonymous and shared memory at the take's length and at ten times that; and held to a budget."""
    path = bench.take(size)
    plate = ["plate", "-o", str(bench.folder / "out"), "--quiet"]
    bench.out()
    short = watch_tool([*plate, str(path)], tree=bench.tree)
    yield Row(f"memory {size}: peak, MiB", short, 2048.0)
    long = make_long(path, 10)
    try:
        bench.out()
        peak = watch_tool([*plate, str(long)], tree=bench.tree)
    finally:
        long.unlink()
    yield Row(f"memory {size}, ten times as long: peak, MiB", peak, 2048.0)
    yield Row(f"memory {size}: long / short", peak / short, 1.1)
    budget = int(short * 1.2)
    bench.out()
    held = watch_tool([*plate, str(path), "--memory", f"{budget}MiB"], tree=bench.tree)
    yield Row(f"memory {size}: peak / --memory", held / budget, 1.1, note=f"--memory {budget} MiB")


def list_rows() -> dict[str, Callable[[Bench], Iterator[Row]]]:
    """Every row of the table by its name."""
    kinds = {
        "plate": measure_plate, "inspect": measure_inspect, "clean": measure_clean, "planes": measure_planes,
        "render": measure_render, "memory": measure_memory,
    }  # fmt: skip
    by_size = {f"{kind}-{size}": partial(measure, size=size) for kind, measure in kinds.items() for size in SIZES}
    return {**by_size, "again": measure_again, "start": measure_start}

