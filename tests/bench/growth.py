"""How cost grows: wall, processor and memory of `plate` against frames, pixels, stills and threads."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from made import make_room

from bench.costs import run_tool, watch_tool
from bench.rows import Bench
from bench.speed import code, pack

LONG_SIDES, FRAMES, STILLS, THREADS = (480, 960, 1920), (60, 120, 240, 480), (4, 8, 16, 32), (1, 2, 4)
MIDDLE_SIDE, MIDDLE_FRAMES = 960, 120
SPEC = {"bits": 8, "chroma": "420"}


@dataclass(frozen=True)
class Growth:
    """One way to grow: ``sizes`` along it, and at each wall and processor seconds and MiB."""

    name: str
    sizes: tuple[float, ...]
    wall: tuple[float, ...]
    processor: tuple[float, ...]
    peak: tuple[float, ...]

    def slopes(self) -> dict[str, float]:
        """The slope of each in logarithms: 1 grows in proportion, 0 stays."""
        along = np.log(self.sizes)
        parts = {"wall": self.wall, "processor": self.processor, "memory": self.peak}
        known = {name: np.asarray(values) for name, values in parts.items() if np.isfinite(values).all()}
        return {name: float(np.polyfit(along, np.log(values), 1)[0]) for name, values in known.items()}


def make_sweep(folder: Path, side: int, frames: int) -> Path:
    """A made sweep of a size and length, with noise at full size, as H.264 with a sync frame a second."""
    path = folder / f"grow_{side}_{frames}.mp4"
    if path.exists():
        return path
    room = make_room(3, frames=frames, lead=max(12, frames // 8), bump_px=0.0, turn_deg=0.0)
    width, height = side, side * 9 // 16 // 2 * 2
    grain = np.random.default_rng(0).standard_normal((3, height, width, 3), dtype=np.float32)
    with av.open(str(path), "w") as container:
        options = {"crf": "18", "preset": "veryfast", "g": "24"}
        stream = container.add_stream("libx264", rate=Fraction(24), options=options)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        context = stream.codec_context
        context.color_range = context.colorspace = context.color_primaries = context.color_trc = 1
        for k in range(frames):
            light = np.maximum(cv2.resize(np.float32(room.seen(k)), (width, height), interpolation=cv2.INTER_CUBIC), 0)
            frame = pack(code(light + grain[k % 3] * np.sqrt(4e-4 * light + 4e-6), SPEC), "yuv420p")
            frame.pts = k
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def measure_growth(bench: Bench) -> Iterator[Growth]:
    """Measure every way to grow, each step warm."""
    middle = make_sweep(bench.folder, MIDDLE_SIDE, MIDDLE_FRAMES)
    ways: dict[str, list[tuple[float, Path, Sequence[str]]]] = {
        "frames": [(count, make_sweep(bench.folder, MIDDLE_SIDE, count), ()) for count in FRAMES],
        "pixels": [
            (side * side * 9 / 16, make_sweep(bench.folder, side, MIDDLE_FRAMES), ()) for side in LONG_SIDES
        ],
        "stills": [(count, middle, ("--max-keys", str(count), "--coverage", "1")) for count in STILLS],
        "threads": [(count, middle, ("--threads", str(count))) for count in THREADS],
    }
    for name, steps in ways.items():
        found = []
        for _, path, more in steps:
            command = ["plate", str(path), "-o", str(bench.folder / "out"), "--quiet", *more]
            bench.out()
            cost, _ = run_tool(command, tree=bench.tree)
            bench.out()
            found.append((cost.wall, cost.processor, watch_tool(command, tree=bench.tree)))
        yield Growth(name, tuple(size for size, _, _ in steps), *zip(*found, strict=True))


def draw_growth(grown: Sequence[Growth], path: Path) -> None:
    """Draw all ways to grow as one small plot, both axes in logarithms."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import LogFormatter, NullFormatter

    figure = Figure(figsize=(10, 2.8), layout="constrained")
    for axes, one in zip(figure.subplots(1, len(grown)), grown, strict=True):
        for label, values in (("wall (s)", one.wall), ("processor (s)", one.processor)):
            axes.loglog(one.sizes, values, "o-", label=label, markersize=3)
        axes.loglog(one.sizes, np.asarray(one.peak) / 100, "s--", label="memory (100 MiB)", markersize=3)
        slopes = ", ".join(f"{name} {slope:.2f}" for name, slope in one.slopes().items())
        axes.set_title(f"{one.name}\n{slopes}", fontsize=7)
        axes.set_xticks(one.sizes, [f"{size:.3g}" for size in one.sizes])
        axes.xaxis.set_minor_formatter(NullFormatter())
        for ticks in (axes.yaxis.set_major_formatter, axes.yaxis.set_minor_formatter):
            ticks(LogFormatter(minor_thresholds=(2, 0.8)))
        axes.tick_params(which="both", labelsize=6)
    figure.legend(*figure.axes[0].get_legend_handles_labels(), fontsize=6, loc="outside lower center", ncols=3)
    figure.savefig(path, dpi=130)
