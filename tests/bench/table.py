"""The table of speed: one command runs every row, or those named, and prints ratios with what they should be.

    python tests/bench/table.py                                 # every row; takes are made once in a temporary folder
    python tests/bench/table.py plate-hd planes-hd --in FOLDER  # these rows; takes stay in FOLDER
    python tests/bench/table.py --growth                        # how cost grows, with slopes; plot in the folder
    python tests/bench/table.py --json new.json --against old.json --tree /another/checkout

Machines are noisy: every figure that has an aim is a ratio of two things measured one after the other in this run.
"Cold" is the first process of a kind, "warm" those after it. Seconds of processor stand beside seconds of the wall,
since others may use the machine meanwhile; the load at the start is printed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from bench.growth import Growth, draw_growth, measure_growth  # noqa: E402
from bench.rows import Bench, Row, list_rows  # noqa: E402

WIDE = 58


def say_row(row: Row, before: float | None) -> str:
    """One line: name, figure, aim, whether it was reached, what it was before."""
    aim = "" if row.aim is None else f"{'>=' if row.more else '<='} {row.aim:g}"
    reached = {True: "reached", False: "MISSED", None: ""}[row.reached]
    earlier = "" if before is None else f"before {before:.3g}"
    return f"{row.name:{WIDE}s} {row.value:8.3g}  {aim:8s} {reached:8s} {earlier:14s} {row.note}".rstrip()


def say_growth(one: Growth) -> list[str]:
    """The steps of one way to grow, and their slopes in logarithms."""
    steps = zip(one.sizes, one.wall, one.processor, one.peak, strict=True)
    lines = [
        f"  {size:10.0f}: {wall:6.1f} s, processor {work:6.1f} s, {peak:6.0f} MiB" for size, wall, work, peak in steps
    ]
    slopes = ", ".join(f"{name} {slope:.2f}" for name, slope in one.slopes().items())
    return [f"{one.name}: slopes in logarithms: {slopes}", *lines]


def read_earlier(path: Path | None) -> dict[str, float]:
    """The figures of an earlier run by their names."""
    return {} if path is None else {row["name"]: row["value"] for row in json.loads(path.read_text())["rows"]}


def run_table(names: list[str], bench: Bench, earlier: dict[str, float], told: list[dict[str, Any]]) -> None:
    """Measure rows, print them as they come, and add them to what is ``told``."""
    known = list_rows()
    for name in names:
        for row in known[name](bench):
            print(say_row(row, earlier.get(row.name)), flush=True)
            told.append(asdict(row))


def run_growth(bench: Bench) -> list[Growth]:
    """Measure growth, print it, draw it into the folder."""
    grown = []
    for one in measure_growth(bench):
        print("\n".join(say_growth(one)), flush=True)
        grown.append(one)
    draw_growth(grown, bench.folder / "growth.png")
    print(f"plot: {bench.folder / 'growth.png'}")
    return grown


def main() -> None:
    """Read the options and measure."""
    names = list(list_rows())
    reader = argparse.ArgumentParser(description=__doc__.splitlines()[0], epilog=f"rows: {', '.join(names)}")
    reader.add_argument("rows", nargs="*", metavar="ROW", help="only these rows")
    reader.add_argument("--in", dest="folder", type=Path, help="where takes are made, and found again")
    reader.add_argument("--repeats", type=int, default=2, help="warm runs of plate and inspect")
    reader.add_argument("--growth", action="store_true", help="how cost grows, in place of the rows")
    reader.add_argument("--json", dest="write", type=Path, help="write the figures there")
    reader.add_argument("--against", type=Path, help="figures of an earlier run to stand beside")
    reader.add_argument("--tree", type=Path, default=ROOT, help="source tree whose command line is measured")
    wish = reader.parse_args()
    if unknown := sorted(set(wish.rows) - set(names)):
        reader.error(f"no row {unknown[0]}; there are {', '.join(names)}")
    with tempfile.TemporaryDirectory() as spare:
        bench = Bench(wish.folder or Path(spare), wish.tree, wish.repeats)
        bench.folder.mkdir(parents=True, exist_ok=True)
        print(f"load {os.getloadavg()[0]:.1f} on {len(os.sched_getaffinity(0))} processors", flush=True)
        told: dict[str, Any] = {"load": os.getloadavg()[0], "rows": []}
        earlier = read_earlier(wish.against)
        try:
            if wish.growth:
                told["growth"] = [asdict(one) for one in run_growth(bench)]
            if wish.rows or not wish.growth:
                run_table(wish.rows or names, bench, earlier, told["rows"])
        finally:  # a row that breaks off leaves those before it
            if wish.write is not None:
                wish.write.write_text(json.dumps(told, indent=1) + "\n")


if __name__ == "__main__":
    main()
