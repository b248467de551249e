"""The side of the workers: what runs on another machine, one piece after the other."""

from __future__ import annotations

import asyncio
import hashlib
import pickle
import platform
import socket
import time
from collections import Counter, OrderedDict
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
from lightstack.files.called_off import may_be_called_off
from lightstack.files.folder import own_parts
from lightstack.files.kept.handed import read_handed

__all__ = ["Handed", "describe_here", "forget", "look_round", "name_differences", "run_piece"]

DECIDING = (  # packages that a result's last bit may depend on
    "numpy", "scipy", "numba", "opencv-python-headless", "scikit-image", "av", "opencolorio", "OpenEXR", "OpenImageIO",
    "distributed",
)  # fmt: skip
KEPT = 2  # jobs' contexts that a worker keeps in memory
END_S = 20.0  # that pieces of a job that has ended have to end in
STEP_S = 0.02

_known: OrderedDict[str, Any] = OrderedDict()
_lock = Lock()
_at_work: Counter[str] = Counter()  # by job, how many of its pieces are worked on
_ended: set[str] = set()  # jobs that ended before all of these did
_counting = Lock()


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
    path = handed.path
    with counted_at_work(path), may_be_called_off(lambda: path in _ended), own_parts():
        work, context = read_context(path)
        return work(context, pickle.loads(piece))


@contextmanager
def counted_at_work(path: str) -> Iterator[None]:
    """Count a piece of a job among those that are worked on here."""
    with _counting:
        _at_work[path] += 1
    try:
        yield
    finally:
        with _counting:
            _at_work[path] -= 1
            if not _at_work[path]:
                del _at_work[path]


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
    """Let go of a job that has ended and call off its pieces; return how many did not stop within a while."""
    with _lock:
        _known.pop(path, None)
    begun = time.monotonic()
    _ended.add(path)
    while _at_work[path] and time.monotonic() - begun < END_S:
        await asyncio.sleep(STEP_S)
    if not _at_work[path]:
        _ended.discard(path)
    return _at_work[path]
