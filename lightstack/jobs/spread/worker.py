"""The side of the workers: what runs on another machine, one piece after the other."""

from __future__ import annotations

import asyncio
import ctypes
import hashlib
import pickle
import platform
import socket
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from threading import Lock
from typing import Any

import lightstack
from lightstack.errors import ClusterError
from lightstack.files.folder import own_parts
from lightstack.files.kept.handed import read_handed

__all__ = ["Ended", "Handed", "describe_here", "forget", "look_round", "name_differences", "run_piece"]

DECIDING = (  # packages that a result's last bit may depend on
    "numpy", "scipy", "numba", "opencv-python-headless", "scikit-image", "av", "opencolorio", "OpenEXR", "OpenImageIO",
    "distributed",
)  # fmt: skip
KEPT = 2  # jobs' contexts that a worker keeps in memory
END_S = 20.0  # that pieces of a job that has ended have to end in
STEP_S = 0.02

_known: OrderedDict[str, Any] = OrderedDict()
_lock = Lock()
_at_work: dict[int, tuple[str, bool]] = {}  # by thread, the job that it does a piece of, and whether that has ended
_hands = Lock()


class Ended(BaseException):
    """The job of a piece has ended while the piece was worked on."""


@dataclass(frozen=True, slots=True)
class Handed:
    """Where a job's context lies, and by what it was made."""

    path: str
    made_by: tuple[tuple[str, str], ...]


@cache
def describe_here() -> tuple[tuple[str, str], ...]:
    """Return which lightstack runs here, to the letter, and which of the packages that decide."""
    found = hashlib.sha256()
    root = Path(lightstack.__file__).parent
    for path in sorted(root.rglob("*.py")):
        found.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes())
    own = f"{lightstack.__version__} ({found.hexdigest()[:8]})"
    packages = ((name, find_version(name)) for name in DECIDING)
    return (("lightstack", own), ("Python", platform.python_version()), *packages)


def find_version(package: str) -> str:
    """Return a package's version, "none" where it is not installed."""
    try:
        return metadata.version(package)
    except metadata.PackageNotFoundError:
        return "none"


def name_differences(here: tuple[tuple[str, str], ...], there: tuple[tuple[str, str], ...]) -> str:
    """Say in words what differs between two descriptions, the first three; nothing where they agree."""
    have = dict(there)
    apart = [f"{name} {have.get(name, 'none')} there, {own} here" for name, own in here if have.get(name) != own]
    return "; ".join(apart[:3])


def look_round(token: str) -> dict[str, Any]:
    """Return what a worker is, and what it reads in a file of the output folder; None: it does not see it."""
    from llvmlite.binding import get_host_cpu_name

    try:
        read = Path(token).read_text(encoding="utf-8")
    except OSError:
        read = None
    return {
        "made_by": describe_here(), "token": read, "host": socket.gethostname(), "processor": get_host_cpu_name()
    }  # fmt: skip


def run_piece(handed: Handed, piece: bytes) -> Any:
    """Do one pickled piece of a job: what works on it lies with the context, and is loaded here, where it may last.

    Raises ClusterError where this worker is not of the kind that the job was made by.
    """
    apart = name_differences(handed.made_by, describe_here())
    if apart:
        raise ClusterError(f"a worker on {socket.gethostname()} differs: {apart}; install the same on every machine")
    with noted_at_work(handed.path), own_parts():
        work, context = read_context(handed.path)
        return work(context, pickle.loads(piece))


@contextmanager
def noted_at_work(path: str) -> Iterator[None]:
    """Note that this thread does a piece of a job, so that it can be told when the job has ended."""
    thread = threading.get_ident()
    with _hands:
        _at_work[thread] = path, False
    try:
        yield
    finally:
        with _hands:
            _at_work.pop(thread, None)


def read_context(path: str) -> Any:
    """Return a job's context, read when the first piece asks for it."""
    with _lock:
        if path not in _known:
            while len(_known) >= KEPT:
                _known.popitem(last=False)
            _known[path] = read_handed(Path(path))
        _known.move_to_end(path)
        return _known[path]


async def forget(path: str) -> int:
    """Let go of a job that has ended, and have whoever does a piece of it stop; return how many did not within a while.

    Notes: a piece stops as a program does at Ctrl-C, whatever it holds is closed and what is half-written removed.
    """
    with _lock:
        _known.pop(path, None)
    begun = time.monotonic()
    for thread in find_at_work(path):
        tell_ended(thread, path)
    while (left := len(find_at_work(path))) and time.monotonic() - begun < END_S:
        await asyncio.sleep(STEP_S)
    return left


def find_at_work(path: str) -> list[int]:
    """Return the threads that do a piece of a job."""
    with _hands:
        return [thread for thread, (job, _) in _at_work.items() if job == path]


def tell_ended(thread: int, path: str) -> None:
    """Raise `Ended` in a thread, at its next step and once, if it still does a piece of that job.

    References: Python's C API, PyThreadState_SetAsyncExc.
    """
    with _hands:  # so that it cannot leave the piece meanwhile
        if _at_work.get(thread) == (path, False):
            _at_work[thread] = path, True
            ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(thread), ctypes.py_object(Ended))
