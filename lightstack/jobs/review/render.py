"""The build that a review page starts: a process beside the page, followed line by line."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from threading import Condition, Thread
from typing import Any

from lightstack.errors import SettingError
from lightstack.jobs.takes.options import BuildOptions

__all__ = ["BuildRun", "BuildState"]

STOP_S = 15.0  # that a build is given to clear up


@dataclass(frozen=True, slots=True)
class BuildState:
    """How far a build is. ``state``: "idle" | "running" | "done" | "failed" | "stopped". ``number`` grows with each."""

    state: str = "idle"
    step: str = ""
    done: int = 0
    total: int | None = None
    line: str = ""
    number: int = 0

    @property
    def plain(self) -> dict[str, Any]:
        """As JSON."""
        return asdict(self)


class BuildRun:
    """One build at a time. ``finished`` is called, in a thread of its own, after a build that was done.

    ``command``: what builds and tells of it, `jobs.review.child` by default.
    """

    def __init__(
        self, shot: Path, options: BuildOptions, finished: Callable[[], None], command: Sequence[str] | None = None
    ) -> None:
        self._finished, self._command = finished, command or command_of(shot, options)
        self._state = BuildState()
        self._changed = Condition()
        self._process: subprocess.Popen[str] | None = None
        self._asked: subprocess.Popen[str] | None = None  # to stop

    @property
    def state(self) -> BuildState:
        """How far it is now."""
        return self._state

    def wait(self, number: int, seconds: float) -> BuildState:
        """Return the state once it is another than ``number``, or after so many seconds."""
        with self._changed:
            self._changed.wait_for(lambda: self._state.number != number, seconds)
            return self._state

    def start(self) -> None:
        """Start a build. Raises SettingError where one is running."""
        with self._changed:
            if self._state.state == "running":
                raise SettingError("a build is running already; stop it, or wait for it")
            try:
                self._process = subprocess.Popen(
                    self._command,
                    stdin=subprocess.PIPE,  # its end tells the build that this process is no more
                    stdout=subprocess.PIPE,
                    stderr=subprocess.STDOUT,
                    text=True,
                    errors="replace",
                    start_new_session=True,  # Ctrl-C in the terminal comes to it by way of the page, once
                )
            except OSError as error:
                raise SettingError(f"the build could not be started ({error.strerror}); try again") from error
            self._set(BuildState("running", line="starting"))
        Thread(target=self._follow, args=(self._process,), daemon=True, name="build").start()

    def cancel(self) -> bool:
        """Ask a running build to stop; tell whether there was one."""
        process = self._process
        if process is None or process.poll() is not None:
            return False
        if self._asked is not process:  # a second one would break off the clearing up
            process.send_signal(signal.SIGINT)
            self._asked = process
        return True

    def close(self) -> None:
        """Stop a running build and wait for it to clear up."""
        process = self._process
        if process is None or not self.cancel():
            return
        try:
            process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def _follow(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        last = BuildState("running")
        with process.stdout as lines:
            for text in lines:
                last = take_line(last, text)
                if last.state == "running":
                    with self._changed:
                        self._set(last)
        code = process.wait()
        assert process.stdin is not None
        process.stdin.close()
        if last.state == "running":  # it ended without a word
            last = end_without_word(last, code)
        if last.state == "done":
            try:
                self._finished()
            except Exception as error:  # the page goes on with what it had
                last = replace(last, state="failed", line=f"built, but it cannot be opened again: {error}")
        with self._changed:
            self._set(last)

    def _set(self, state: BuildState) -> None:
        self._state = replace(state, number=self._state.number + 1)
        self._changed.notify_all()


def command_of(shot: Path, options: BuildOptions) -> list[str]:
    """Return what builds a shot with the options that change what is made, or how much it may take."""
    given = {
        "ocio": None if options.ocio is None else str(options.ocio),
        "memory_bytes": options.memory_bytes,
        "threads": options.threads,
        "keep_readable": options.keep_readable,
    }
    return [sys.executable, "-m", "lightstack.jobs.review.child", str(shot), json.dumps(given)]


def end_without_word(state: BuildState, code: int) -> BuildState:
    """Return the state after a build that ended with an exit code (below 0: a signal) and did not say why."""
    if code in (130, -signal.SIGINT):
        return replace(state, state="stopped")
    if code >= 0:
        return replace(state, state="failed")
    name = signal.Signals(-code).name
    line = f"the build died ({name}); `lightstack build` in a terminal names the file that it was reading"
    return replace(state, state="failed", line=line)


def take_line(state: BuildState, text: str) -> BuildState:
    """Return the state after a line that the build wrote; what is no JSON is shown as it is."""
    try:
        told = json.loads(text)
    except ValueError:
        return replace(state, line=text.strip()[:500]) if text.strip() else state
    if not isinstance(told, dict):
        return state
    known = {name: value for name, value in told.items() if name in ("state", "step", "done", "total", "line")}
    return replace(state, **known)
