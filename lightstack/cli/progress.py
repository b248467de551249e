"""The progress display on stderr: a bar with the time left, or now and then a line where nobody watches."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress as Bars
    from rich.progress import TaskID

__all__ = ["TerminalProgress"]

SHOW_AFTER_SECONDS = 1.0  # what is over sooner needs no bar
LINE_EVERY_SECONDS = 10.0


class TerminalProgress:
    """Shows steps and lines; a context manager. ``quiet`` shows nothing at all."""

    def __init__(
        self,
        *,
        quiet: bool = False,
        verbosity: int = 0,
        stream: TextIO | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._quiet = quiet
        self._verbosity = verbosity
        self._stream = stream if stream is not None else sys.stderr
        self._clock = clock
        self._bars: Bars | None = None

    def __enter__(self) -> TerminalProgress:
        if not self._quiet and self._stream.isatty():
            self._bars = _make_bars(self._stream)
            self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars is not None:
            self._bars.stop()
            self._bars = None

    @contextmanager
    def step(self, name: str, total: int | None) -> Iterator[_Step]:
        """Show one piece of work; ``total`` is None where its size is not known."""
        step = _BarStep(self._bars, name, total, self._clock) if self._bars is not None else None
        shown: _Step = step or _LineStep(self._print, name, total, self._clock)
        started = self._clock()
        try:
            yield shown
        finally:
            if step is not None:
                step.close()
        self.say(f"{name}: {self._clock() - started:.1f} s", level=1)

    def say(self, line: str, *, level: int = 0) -> None:
        """Print a line if it is wanted at this verbosity (0 always, 1 with -v, 2 with -vv)."""
        if level <= self._verbosity:
            self._print(line)

    def _print(self, line: str) -> None:
        if self._quiet:
            return
        if self._bars is not None:
            self._bars.console.print(line, markup=False, highlight=False, soft_wrap=True)
        else:
            print(line, file=self._stream, flush=True)


class _Step:
    """Counts what is done of one piece of work."""

    def __init__(self, total: int | None, clock: Callable[[], float]) -> None:
        self._total, self._clock = total, clock
        self._done, self._started = 0, clock()

    def advance(self, count: int = 1) -> None:
        self._done += count
        self._show(self._clock() - self._started)

    def _show(self, seconds: float) -> None:
        raise NotImplementedError


class _BarStep(_Step):
    """A bar, drawn from the second second on."""

    def __init__(self, bars: Bars, name: str, total: int | None, clock: Callable[[], float]) -> None:
        super().__init__(total, clock)
        self._bars = bars
        self._visible = False
        self._task: TaskID = bars.add_task(name, total=total, visible=False)

    def _show(self, seconds: float) -> None:
        wanted = seconds > SHOW_AFTER_SECONDS
        self._bars.update(self._task, completed=self._done, visible=wanted, refresh=wanted and not self._visible)
        self._visible = wanted

    def close(self) -> None:
        self._bars.remove_task(self._task)


class _LineStep(_Step):
    """A line every ten seconds, for logs."""

    def __init__(
        self, print_line: Callable[[str], None], name: str, total: int | None, clock: Callable[[], float]
    ) -> None:
        super().__init__(total, clock)
        self._print_line, self._name = print_line, name
        self._next = LINE_EVERY_SECONDS
        self._first: tuple[float, int] | None = None  # when how many were done: before that lies what is done once

    def _show(self, seconds: float) -> None:
        first, done = self._first = self._first or (seconds, self._done)
        if seconds < self._next:
            return
        self._next = seconds + LINE_EVERY_SECONDS
        line = f"{self._name}: {self._done} of {self._total}" if self._total else f"{self._name}: {self._done}"
        if self._total and self._done > done:
            left = (seconds - first) / (self._done - done) * max(self._total - self._done, 0)
            line += f", about {left:.0f} s left"
        self._print_line(line)


def _make_bars(stream: TextIO) -> Bars:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("left"),
        console=Console(file=stream),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
