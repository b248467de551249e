"""A build in a process of its own, which tells what it does as lines of JSON; the review page and a batch start it.

Whoever started it holds the other end of its standard input: once that ends there is nobody left to build for.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from lightstack.errors import LightstackError
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions

EVERY_S = 0.2
STOP_S = 15.0  # to clear up once nobody is left


class LineProgress:
    """Progress as one line of JSON for each change."""

    def say(self, line: str, *, level: int = 0) -> None:
        """Tell a line that everybody should read."""
        if level == 0:
            tell(line=line)

    @contextmanager
    def step(self, name: str, total: int | None) -> Iterator[LineStep]:
        """Tell of a piece of work and how far it is."""
        tell(step=name, done=0, total=total)
        one = LineStep(name, total)
        yield one
        tell(step=name, done=one.done, total=total)


class LineStep:
    """Counts what is done of one piece of work."""

    def __init__(self, name: str, total: int | None) -> None:
        self._name, self._total, self.done, self._told = name, total, 0, time.monotonic()

    def advance(self, count: int = 1) -> None:
        """Count, and tell now and then."""
        self.done += count
        if time.monotonic() - self._told >= EVERY_S:
            self._told = time.monotonic()
            tell(step=self._name, done=self.done, total=self._total)


def tell(**values: Any) -> None:
    """Write one line."""
    print(json.dumps(values), flush=True)


def stop_with_starter(stream: int) -> None:
    """Wait for the end of a stream that whoever started this holds; then stop as Ctrl-C would, and die if that takes
    too long."""
    while os.read(stream, 1024):
        pass
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(STOP_S)
    os.kill(os.getpid(), signal.SIGKILL)


def main(words: Sequence[str]) -> int:
    """Build ``words[0]`` with the options of ``words[1]``, JSON; return the exit code."""
    signal.signal(signal.SIGINT, signal.default_int_handler)  # however the parent was started
    given = json.loads(words[1]) if len(words) > 1 else {}
    ocio = given.pop("ocio", None)
    options = BuildOptions(**given, ocio=None if ocio is None else Path(ocio))
    try:
        result = build_shot(Path(words[0]), options=options, progress=LineProgress())
    except (KeyboardInterrupt, BrokenPipeError):
        with suppress(BrokenPipeError):  # where nobody is left to be told
            tell(state="stopped", line="stopped; nothing half-written is left behind")
        return 130
    except LightstackError as error:
        tell(state="failed", line=str(error))
        return 1
    tell(state="done", line=f"built: {len(result.files)} files")
    return 0


if __name__ == "__main__":
    threading.Thread(target=stop_with_starter, args=(sys.stdin.fileno(),), daemon=True, name="starter").start()
    sys.exit(main(sys.argv[1:]))
