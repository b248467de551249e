"""Damage small files of every kind and read them as commands do.

``python tests/bench/fuzz.py [COUNT] [--seed N] [--kinds movie,exr] [--keep FOLDER]``. Prints a table by kind: read,
refused in one line, and what must not be: a traceback, many lines, a hang, too much memory, a crash of a decoder.
Inputs that failed are kept in a folder, each with what was said of it.
"""

from __future__ import annotations

import argparse
import json
import os
import selectors
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench.fuzz_changes import damage
from bench.fuzz_seeds import make_seeds

HANG_S = 40.0  # on a machine that others use too
FIRST_S = 120.0  # loading everything
MOST_KB = 600 << 10  # that a file of some kB may take on top of what is loaded
GOOD = ("read", "refused")
WHOLE = ("stack", "given")  # whose files lie together, each known by its name
VERDICTS = (*GOOD, "traceback", "many lines", "hang", "memory", "crash")


@dataclass
class Reader:
    """A child that reads one file after the other; started again when it dies or hangs."""

    process: subprocess.Popen[str] | None = None
    fresh: bool = True

    def ask(self, kind: str, path: Path) -> tuple[str, str, int]:
        """Have a file read; return the verdict, what was said, and kB that it took."""
        process = self.process or self.start()
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write(json.dumps([kind, str(path)]) + "\n")
        process.stdin.flush()
        with selectors.DefaultSelector() as ready:
            ready.register(process.stdout, selectors.EVENT_READ)
            came = ready.select(FIRST_S if self.fresh else HANG_S)
        answer = process.stdout.readline() if came else ""
        self.fresh = False
        if answer:
            verdict, said, grown = json.loads(answer)
            return ("memory" if grown > MOST_KB else verdict), said, grown
        return self.bury(process, hung=not came)

    def start(self) -> subprocess.Popen[str]:
        command = [sys.executable, str(Path(__file__).with_name("fuzz_read.py"))]
        words = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONFAULTHANDLER": "1"}
        errors = tempfile.TemporaryFile("w+", errors="replace")  # noqa: SIM115 -- it lives as long as the child
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=errors, text=True, env=words
        )
        self.errors, self.fresh = errors, True
        return self.process

    def bury(self, process: subprocess.Popen[str], *, hung: bool) -> tuple[str, str, int]:
        if hung:
            process.send_signal(6)  # its fault handler writes where it was
        process.wait(20)
        self.errors.seek(0)
        told = self.errors.read()[-4000:]
        self.close()
        return ("hang" if hung else "crash"), f"ended with {process.returncode}\n{told}", 0

    def close(self) -> None:
        if self.process is not None:
            for stream in (self.process.stdin, self.process.stdout, self.errors):
                stream.close()
            self.process.kill()
            self.process.wait()
            self.process = None


@dataclass
class Tally:
    """What came of each kind."""

    keep: Path
    counts: dict[str, Counter] = field(default_factory=dict)
    largest: dict[str, int] = field(default_factory=dict)
    said: Counter = field(default_factory=Counter)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, index: int, kind: str, path: Path, how: str, verdict: str, said: str, grown: int) -> None:
        with self.lock:
            self.counts.setdefault(kind, Counter())[verdict] += 1
            self.largest[kind] = max(self.largest.get(kind, 0), grown)
            if verdict in GOOD:
                return
            self.keep.mkdir(parents=True, exist_ok=True)
            name = f"{verdict.replace(' ', '_')}_{kind}_{index}_{path.name}"
            shutil.copy(path, self.keep / name)
            (self.keep / f"{name}.txt").write_text(f"{how}\n{grown} kB\n{said}")
            print(f"{verdict}: {kind} {path.name} ({how}): {said.strip().splitlines()[-1:] or grown}", flush=True)

    def show(self) -> str:
        lines = [f"{'kind':8}" + "".join(f"{name:>12}" for name in VERDICTS) + f"{'most MiB':>12}"]
        for kind, counts in [*self.counts.items(), ("all", sum(self.counts.values(), Counter()))]:
            most = max(self.largest.values()) if kind == "all" else self.largest[kind]
            lines.append(f"{kind:8}" + "".join(f"{counts[name]:12}" for name in VERDICTS) + f"{most / 1024:12.0f}")
        return "\n".join(lines)


def read_seeds(seeds: dict[str, list[Path]], tally: Tally) -> None:
    """Every seed must be read: what is refused unharmed tells nothing when it is damaged."""
    reader = Reader()
    for kind, paths in seeds.items():
        for path in paths:
            verdict, said, _ = reader.ask(kind, path)
            if verdict != "read":
                print(f"seed {path.name}: {verdict}: {said.strip()}", flush=True)
    reader.close()


def work(number: int, numbers: range, seeds: dict[str, list[Path]], folder: Path, seed: int, tally: Tally) -> None:
    """Damage and read the inputs of some numbers; each is drawn from its own number, so it can be made again."""
    reader = Reader()
    kinds = list(seeds)
    for index in numbers:
        rng = Random(seed * 1_000_003 + index)
        kind = kinds[index % len(kinds)]
        source = rng.choice(seeds[kind])
        data, how = damage(source.read_bytes(), rng.choice(seeds[kind]).read_bytes(), rng)
        room = folder / f"worker_{number}" / kind
        shutil.rmtree(room, ignore_errors=True)
        room.mkdir(parents=True)
        path = room / f"{source.stem}-{seed}_{index}x{source.suffix}"
        if kind in WHOLE:
            top = folder / kind
            shutil.copytree(top, room, dirs_exist_ok=True)
            path = room / source.relative_to(top)
        path.write_bytes(data)
        tally.note(index, kind, path, how, *reader.ask(kind, path))
    reader.close()


def main(words: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kinds", default="")
    parser.add_argument("--keep", type=Path, default=Path("fuzz_failed"))
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args(words)
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        seeds = {k: v for k, v in make_seeds(Path(name)).items() if not asked.kinds or k in asked.kinds.split(",")}
        tally = Tally(asked.keep)
        read_seeds(seeds, tally)
        shares = [range(k, asked.count, asked.workers) for k in range(asked.workers)]
        threads = [
            threading.Thread(target=work, args=(k, share, seeds, Path(name), asked.seed, tally))
            for k, share in enumerate(shares)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    print(tally.show())
    print(f"{asked.count} inputs in {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
