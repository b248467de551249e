"""Go on in a child process, so that somebody is left to say what happened when a decoder brings it down.

The parent is forked off before anything heavy is loaded, waits, and hands on what it is told; only the child works.
Linux only: elsewhere no such fork was tried, or there is none, and a crash ends the program without a word of ours.
"""

from __future__ import annotations

import faulthandler
import gc
import math
import os
import re
import signal
import sys
import threading
import time
from dataclasses import dataclass
from mmap import mmap
from pathlib import Path
from types import FrameType

from lightstack.files.reading import list_readings, make_board, use_board

__all__ = ["Ended", "explain_end", "go_on_watched"]

CRASHES = ("SIGSEGV", "SIGBUS", "SIGABRT", "SIGFPE", "SIGILL")
HANDED_ON = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGUSR1", "SIGUSR2")
MOST_NAMED = 3
TWICE_S = 0.3  # within which one interruption comes by two ways
TRACE_BYTES = 1 << 16  # what a pipe holds
_CRASHED = re.compile(r"^Current thread .*\n((?:  File .*\n?)*)", re.MULTILINE)  # as faulthandler writes it
_PLACE = re.compile(r'^  File "[^"]*/lightstack/([^"]+)", line (\d+) in (\w+)', re.MULTILINE)
_OWN_WORK = ("core/", "jobs/", "report/", "files/write/")  # but what reads there what was written


@dataclass(frozen=True, slots=True)
class Ended:
    """How the child ended: by its exit ``code``, or by a ``signal``; what it was ``reading``, the latest first; its own
    ``trace`` where it could still write one."""

    code: int
    signal: str | None
    reading: tuple[Path, ...]
    trace: str

    @property
    def own_place(self) -> str | None:
        """Where it died, if that was at work of its own: a file being open then is no fault of that file.

        None where a file was read, or where nobody knows: a library's own thread tells nothing.
        """
        crashed = _CRASHED.search(self.trace)
        innermost = _PLACE.search(crashed[1]) if crashed else None
        if innermost is None or not innermost[1].startswith(_OWN_WORK) or innermost[3].startswith(("read", "_opened")):
            return None
        return f"{innermost[1]}, line {innermost[2]}"


def go_on_watched() -> Ended | None:
    """Fork; return None in the child, which does the work, and in the parent, once the child has ended, how it did.

    Where that cannot be, None is returned and there is no child: nobody watches.

    Notes: costs a few milliseconds. Ctrl-C comes to both from the terminal; what another process sends to the parent
    is handed on. A child whose parent is killed is killed too.
    """
    if sys.platform != "linux" or threading.active_count() > 1:
        return None
    board = make_board()
    alive, trace = os.pipe(), os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    watched = {getattr(signal, name) for name in (*HANDED_ON, "SIGCHLD")}
    before = signal.pthread_sigmask(signal.SIG_BLOCK, watched)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)  # whoever started us may have it ignored; then nobody could wait
    gc.freeze()  # what both share stays shared: the collector would write to all of it
    try:
        child = _fork_or_none()
        if child == 0:
            _begin_child(board, alive, trace)
        if not child:
            return None
        os.close(alive[0])
        os.close(trace[1])
        return _describe_end(_wait(child, watched), board, trace[0])
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _fork_or_none() -> int | None:
    """Fork; None where the system allows no more processes: the work is done all the same."""
    try:
        return os.fork()
    except OSError:
        return None


def _begin_child(board: mmap, alive: tuple[int, int], trace: tuple[int, int]) -> None:
    os.close(alive[1])
    os.close(trace[0])
    use_board(board)
    os.set_blocking(trace[1], False)  # a trace that is too long is cut, never waited for
    if not faulthandler.is_enabled():
        faulthandler.enable(file=trace[1])
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _interrupt_once)
    threading.Thread(target=_die_with_parent, args=(alive[0],), daemon=True, name="parent").start()


_interrupted_s = -math.inf


def _interrupt_once(number: int, frame: FrameType | None) -> None:
    """Stop the work; what was sent to the whole group comes a second time by way of the parent, and counts once."""
    global _interrupted_s
    now, before = time.monotonic(), _interrupted_s
    _interrupted_s = now
    if now - before > TWICE_S:
        raise KeyboardInterrupt


def _die_with_parent(alive: int) -> None:
    """Wait for the end of the parent, which alone holds the other end; a kill that meant it must end the work."""
    os.read(alive, 1)
    os.kill(os.getpid(), signal.SIGKILL)


def _wait(child: int, watched: set[signal.Signals]) -> int:
    """Wait for a child; hand on the signals that it did not get itself. Returns its wait status."""
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        told = signal.sigwaitinfo(watched)
        from_process = told.si_code <= 0  # sigaction(2): above 0 it is the system's, as Ctrl-C, which went to all
        hangs_up = told.si_signo == signal.SIGHUP  # the system tells the session's leader alone
        if told.si_signo != signal.SIGCHLD and (from_process or hangs_up):
            os.kill(child, told.si_signo)


def _describe_end(status: int, board: mmap, trace: int) -> Ended:
    os.set_blocking(trace, False)
    try:
        text = os.read(trace, TRACE_BYTES).decode(errors="replace")
    except BlockingIOError:  # somebody whom the child started still holds the other end
        text = ""
    os.close(trace)
    code = os.waitstatus_to_exitcode(status)
    name = signal.Signals(-code).name if code < 0 else None
    return Ended(code, name, tuple(list_readings(board)), text)


def explain_end(ended: Ended) -> str | None:
    """Say in one line why a child died; None where it ended by itself, or as it was told to."""
    files = [str(path) for path in ended.reading[:MOST_NAMED]]
    if ended.signal == "SIGKILL":
        where = f" while reading {files[0]}" if files else ""
        return f"was killed{where}, most likely for want of memory; close other programs, or give --memory less"
    if ended.signal not in CRASHES:
        return None
    if ended.own_place is not None:
        where = f"at its own work ({ended.own_place})"
    else:
        where = "" if files else "while it read no file"
    if where:
        return f"died ({ended.signal}) {where}: a fault of lightstack or of a library under it; report it"
    others = f" (or {', '.join(files[1:])}, open too)" if files[1:] else ""
    return (
        f"{files[0]}{others}: the program died while this was read ({ended.signal}), most likely because it is "
        "damaged; copy it again from the card, or leave it out"
    )
