"""What a command costs: seconds of the wall, seconds of all processors, and memory; and what decoding alone costs."""

from __future__ import annotations

import resource
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import av

from bench.memory import run_watched

ROOT = Path(__file__).resolve().parents[2]
START = (
    "import sys; sys.path.insert(0, sys.argv.pop(1)); "
    "from lightstack.cli.main import run; sys.exit(run(sys.argv[1:]))"
)


@dataclass(frozen=True)
class Cost:
    """Seconds of the wall and of all processors together; the second is the steadier where others work too."""

    wall: float
    processor: float

    def over(self, other: Cost) -> tuple[float, float]:
        return self.wall / max(other.wall, 1e-9), self.processor / max(other.processor, 1e-9)

    def share(self, part: float) -> Cost:
        return Cost(self.wall * part, self.processor * part)


def cost_of(work: Callable[[], object]) -> Cost:
    """Cost of a call in this process, all its threads."""
    before, begin = time.process_time(), time.perf_counter()
    work()
    return Cost(time.perf_counter() - begin, time.process_time() - before)


def best_cost(work: Callable[[], object], times: int = 3) -> Cost:
    """The least of several, each clock by itself."""
    costs = [cost_of(work) for _ in range(times)]
    return Cost(min(cost.wall for cost in costs), min(cost.processor for cost in costs))


def call_tool(arguments: Sequence[str], *, tree: Path = ROOT) -> list[str]:
    """The command line that runs the tool of a source tree."""
    return [sys.executable, "-c", START, str(tree), *arguments]


def run_tool(arguments: Sequence[str], *, tree: Path = ROOT, fine: Sequence[int] = (0,)) -> tuple[Cost, str]:
    """Run the tool as a process of its own; return its cost and what it printed. Stops where it fails."""
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(call_tool(arguments, tree=tree), capture_output=True, text=True, check=False)
    wall, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in fine:
        raise SystemExit(done.stderr or done.stdout)
    return Cost(wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime), done.stdout


def watch_tool(arguments: Sequence[str], *, tree: Path = ROOT) -> float:
    """Run the tool and return the most that its processes held, anonymous and shared, in MiB."""
    done, peak = run_watched(call_tool(arguments, tree=tree))
    if done.returncode:
        raise SystemExit(done.stderr)
    return float("nan") if peak is None else peak


def decode_cost(path: Path) -> tuple[Cost, int]:
    """Cost of decoding a movie alone, with as many threads as there are processors, and its number of frames."""
    count = 0

    def decode() -> None:
        nonlocal count
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            count = sum(1 for _ in container.decode(stream))

    return cost_of(decode), count
