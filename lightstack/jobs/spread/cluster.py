"""Pieces of work on other machines, through a scheduler of Dask's that runs somewhere.

What is common to all pieces of a job lies in a file of the output folder, which every worker sees; pieces and results
travel. Results come here as soon as they are made, so a worker that is lost costs what it had not finished: the
scheduler gives that to another one.
"""

from __future__ import annotations

import logging
import pickle
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, Queue
from typing import Any
from uuid import uuid4

from lightstack.errors import ClusterError, SettingError
from lightstack.files.folder import OutFolder, real_path, remove_parts, write_whole
from lightstack.files.kept.handed import write_handed
from lightstack.jobs.spread.worker import Handed, describe_here, forget, look_round, name_differences, run_piece
from lightstack.records import Progress

__all__ = ["ClusterSpread", "connect"]

FOLDER = "spread"  # in the scratch folder
CONNECT_S = 10.0
WORKERS_S = 60.0  # until workers have come, and that work goes on waiting where all have gone
LOOK_S = 1.0  # between looks for workers while nothing comes
AHEAD = 2  # pieces given out for each that is worked on, so that nobody waits for the next


class ClusterSpread:
    """The workers of a scheduler; made by `connect`. ``machines``: how many workers on each host."""

    def __init__(self, client: Any, folder: Path, machines: dict[str, int]) -> None:
        self._client, self._folder, self.machines = client, folder, machines

    @property
    def hands(self) -> int:
        """How many pieces are worked on at a time."""
        workers = self._client.scheduler_info(n_workers=-1)["workers"]
        return max(1, sum(int(one["nthreads"]) for one in workers.values()))

    @property
    def address(self) -> str:
        """Where the scheduler is."""
        return str(self._client.scheduler.address) if self._client.scheduler is not None else "the scheduler"

    def describe(self) -> dict[str, Any]:
        """Say who they are, for the notes of a run."""
        return {"address": self.address, "workers": self.machines}

    def run(self, work: Callable[[Any, Any], Any], context: Any, pieces: Iterable[Any]) -> Iterator[Any]:
        """Give ``work(context, piece)`` for every piece, in their order, no more than a few of them ahead."""
        path = self._folder / f"{uuid4().hex}.job"
        write_handed(path, (work, context))
        order = _Order(self, Handed(str(real_path(path)), describe_here()), pieces)
        try:
            yield from order.results()
        finally:
            path.unlink(missing_ok=True)  # first, so that nobody begins another piece
            order.stop()
            self._forget(str(real_path(path)))

    def submit(self, handed: Handed, piece: Any) -> Any:
        """Give a piece out and return its future."""
        key, packed = f"lightstack-{uuid4().hex}", pickle.dumps(piece, protocol=pickle.HIGHEST_PROTOCOL)
        return self._client.submit(run_piece, handed, packed, key=key, pure=False)

    def cancel(self, futures: Sequence[Any]) -> None:
        """Call pieces back."""
        with suppress(Exception):  # on the way out of a failure, which is the one to tell
            self._client.cancel(futures, force=True)

    def _forget(self, path: str) -> None:
        """Have every worker let go of a job, and wait until nobody does a piece of it."""
        with suppress(Exception):
            self._client.run(forget, path, on_error="ignore")


class _Order:
    """One job's pieces on their way: given out a few ahead, kept here until their turn comes."""

    def __init__(self, spread: ClusterSpread, handed: Handed, pieces: Iterable[Any]) -> None:
        self._spread, self._handed, self._left = spread, handed, iter(pieces)
        self._out: dict[Any, int] = {}  # future: piece
        self._come: Queue[Any] = Queue()
        self._kept: dict[int, Any] = {}
        self._given, self._all = 0, False

    def results(self) -> Iterator[Any]:
        """Give the results in order."""
        index = 0
        while True:
            self._give_out(index)
            if index == self._given:
                return
            while index not in self._kept:
                future = self._wait()
                self._kept[self._out.pop(future)] = self._read(future)
                self._give_out(index)
            yield self._kept.pop(index)
            index += 1

    def stop(self) -> None:
        """Call back what is on its way."""
        if self._out:
            self._spread.cancel(list(self._out))
        self._out.clear()

    def _give_out(self, index: int) -> None:
        """Give out pieces until enough are on their way or wait here for the one of ``index``."""
        most = AHEAD * self._spread.hands + 1
        while not self._all and self._given - index < most:
            piece = next(self._left, self)
            if piece is self:
                self._all = True
                return
            future = self._spread.submit(self._handed, piece)
            self._out[future] = self._given
            self._given += 1
            future.add_done_callback(self._come.put)

    def _wait(self) -> Any:
        """Return the next piece that has come, however it ended. Raises ClusterError where nobody is left."""
        alone_since: float | None = None
        while True:
            try:
                return self._come.get(timeout=LOOK_S)
            except Empty:
                workers = self._spread._client.scheduler_info(n_workers=-1)["workers"]
                now = time.monotonic()
                alone_since = None if workers else alone_since or now
                if alone_since is not None and now - alone_since > WORKERS_S:
                    raise ClusterError(
                        f"{self._spread.address}: no worker is left; start workers there and build again, what is "
                        "finished stays"
                    ) from None

    def _read(self, future: Any) -> Any:
        """Return what a piece gave. Raises what it raised, and ClusterError where it was lost."""
        import distributed

        if future.status in ("cancelled", "lost"):
            raise ClusterError(f"{self._spread.address}: the scheduler was lost; start it and build again")
        try:
            return future.result()
        except distributed.scheduler.KilledWorker as error:
            raise ClusterError(
                f"{self._spread.address}: a piece of the work ended every worker that took it; they may be short of "
                "memory: give each of them more, or fewer threads"
            ) from error
        except (distributed.CancelledError, distributed.comm.CommClosedError) as error:
            raise ClusterError(f"{self._spread.address}: the scheduler was lost; start it and build again") from error


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
        machines = check_workers(client, own, progress=progress)
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
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what is wrong is said in one line
    is_file = "://" not in address and Path(address).is_file()
    try:
        where = {"scheduler_file": address} if is_file else {"address": address}
        return distributed.Client(**where, timeout=CONNECT_S, set_as_default=False, name="lightstack")
    except (OSError, ValueError, TypeError, KeyError, RuntimeError) as error:
        raise ClusterError(
            f"--cluster {address}: no scheduler answers there within {CONNECT_S:.0f} s; expected tcp://host:port, "
            "tls://host:port or a scheduler's file of a `dask scheduler` that runs"
        ) from error


def wait_for_workers(client: Any, address: str, workers: int, *, progress: Progress) -> None:
    """Wait until so many workers are there. Raises ClusterError."""
    begun = time.monotonic()
    with progress.step("wait for workers", None):
        while (found := len(client.scheduler_info(n_workers=-1)["workers"])) < workers:
            if time.monotonic() - begun > WORKERS_S:
                raise ClusterError(
                    f"--cluster {address}: {found} of {workers} worker{'s' if workers > 1 else ''} came within "
                    f"{WORKERS_S:.0f} s; start them with: dask worker {address}"
                )
            time.sleep(0.1)


def check_workers(client: Any, folder: Path, *, progress: Progress) -> dict[str, int]:
    """Have every worker say what it is and read a file of the folder; return how many there are on each host.

    Raises ClusterError naming the worker that differs, or that does not see the folder.
    """
    from llvmlite.binding import get_host_cpu_name

    token, word = folder / "token", uuid4().hex
    write_whole(token, word.encode())
    machines: dict[str, int] = {}
    for worker, found in sorted(client.run(look_round, str(real_path(token)), on_error="return").items()):
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
