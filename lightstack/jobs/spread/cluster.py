"""Pieces of work on other machines, through a scheduler of Dask's that runs somewhere.

What is common to all pieces of a job lies in a file of the output folder, which every worker sees; pieces and results
travel. Results come here as soon as they are made, so a worker that is lost costs what it had not finished: the
scheduler gives that to another one.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any
from uuid import uuid4

from lightstack.errors import ClusterError, SettingError, make_printable
from lightstack.files.folder import OutFolder, real_path, remove_parts, write_whole
from lightstack.jobs.spread.orders import ClusterSpread, list_workers, telling_loss
from lightstack.jobs.spread.worker import describe_here, look_round, name_differences
from lightstack.records import Progress

__all__ = ["connect"]

FOLDER = "spread"  # in the scratch folder
CONNECT_S = 10.0
QUIET = ("distributed", "tornado", "asyncio")  # they tell of what was left open when a connection is closed
WORKERS_S = 60.0  # until workers have come


@contextmanager
def connect(address: str, folder: OutFolder, *, workers: int = 1, progress: Progress) -> Iterator[ClusterSpread]:
    """Connect with a scheduler for as long as the context lasts, once ``workers`` of its workers are there.

    ``address``: "tcp://host:port", "tls://host:port", or a scheduler's file. ``folder``: for results; every worker
    must see it, and the takes, under the same path.

    Raises SettingError where what is needed is not installed; ClusterError where nobody answers, no worker comes, or
    one of them has other versions or does not see the folder.
    """
    client = open_client(address)
    own = folder.scratch_folder(FOLDER)
    try:
        wait_for_workers(client, address, workers, progress=progress)
        machines = check_workers(client, address, own, progress=progress)
        progress.say(f"cluster: {say_machines(machines)}")
        yield ClusterSpread(client, own, machines)
    finally:
        with suppress(Exception):
            client.close()
        with suppress(OSError):
            for path in (*own.glob("*.job"), own / "token"):
                path.unlink(missing_ok=True)
            own.rmdir()
        with suppress(OSError):
            remove_parts(folder)  # of workers that were lost while they wrote


def open_client(address: str) -> Any:
    """Connect with a scheduler. Raises SettingError, ClusterError."""
    try:
        import distributed
    except ImportError as error:
        raise SettingError(
            f"--cluster {address}: needs the extra `cluster`; install it with: pip install 'lightstack[cluster]'"
        ) from error
    for name in (*QUIET, *(name for name in logging.root.manager.loggerDict if name.startswith("distributed."))):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what is wrong is said in one line
    is_file = "://" not in address and Path(address).is_file()
    try:
        where = {"scheduler_file": address} if is_file else {"address": address}
        return distributed.Client(**where, timeout=CONNECT_S, set_as_default=False, name="lightstack")
    except (OSError, ValueError, TypeError, KeyError, RuntimeError) as error:
        raise ClusterError(
            f"--cluster {address}: no scheduler answers there within {CONNECT_S:.0f} s; expected tcp://host:port, "
            "tls://host:port or a scheduler's file of a `dask scheduler` that runs"
        ) from error
    except Exception as error:  # of Dask's own: on a machine that is busy it gives up on itself (AssertionError)
        raise ClusterError(
            f"--cluster {address}: the connection could not be begun ({make_printable(repr(error), most=200)}); this "
            "machine may be too busy: try again, or build here alone with --cluster none"
        ) from error


def wait_for_workers(client: Any, address: str, workers: int, *, progress: Progress) -> None:
    """Wait until so many workers are there. Raises ClusterError."""
    begun = time.monotonic()
    with progress.step("wait for workers", None):
        while (found := len(list_workers(client, address))) < workers:
            if time.monotonic() - begun > WORKERS_S:
                raise ClusterError(
                    f"--cluster {address}: {found} of {workers} worker{'s' if workers > 1 else ''} came within "
                    f"{WORKERS_S:.0f} s; start them with: dask worker {address}"
                )
            time.sleep(0.1)


def check_workers(client: Any, address: str, folder: Path, *, progress: Progress) -> dict[str, int]:
    """Have every worker say what it is and read a file of the folder; return how many there are on each host.

    Raises ClusterError naming the worker that differs, or that does not see the folder.
    """
    from llvmlite.binding import get_host_cpu_name

    token, word = folder / "token", uuid4().hex
    write_whole(token, word.encode())
    machines: dict[str, int] = {}
    with telling_loss(address):
        seen = client.run(look_round, str(real_path(token)), on_error="return")
    for worker, found in sorted(seen.items()):
        if isinstance(found, Exception):
            raise ClusterError(f"worker {worker}: has no lightstack as it is here ({found}); install it there")
        apart = name_differences(describe_here(), found["made_by"])
        if apart:
            who = f"worker {worker} on {found['host']}"
            raise ClusterError(f"{who} differs: {apart}; install the same on every machine")
        if found["token"] != word:
            raise ClusterError(
                f"worker {worker} on {found['host']}: does not see {real_path(folder.parent.parent)}; put results and "
                "takes on storage that every machine has under the same path"
            )
        if found["processor"] != get_host_cpu_name():
            progress.say(
                f"worker {worker} on {found['host']} has another kind of processor ({found['processor']}, here "
                f"{get_host_cpu_name()}): results may differ in their last bit"
            )
        machines[found["host"]] = machines.get(found["host"], 0) + 1
    return machines


def say_machines(machines: dict[str, int]) -> str:
    """Say how many workers there are, on how many machines."""
    count = sum(machines.values())
    many = f"{count} worker{'s' if count != 1 else ''}"
    return f"{many} on {len(machines)} machine{'s' if len(machines) != 1 else ''}"
