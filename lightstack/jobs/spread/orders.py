"""What a job's pieces do on their way: given out a few ahead, kept until their turn comes, called back."""

from __future__ import annotations

import pickle
import time
from asyncio import CancelledError
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, Queue
from typing import Any
from uuid import uuid4

from lightstack.errors import ClusterError, LightstackError
from lightstack.files.folder import real_path
from lightstack.files.kept.handed import write_handed
from lightstack.jobs.spread.worker import Handed, describe_here, forget, run_piece

__all__ = ["ClusterSpread", "list_workers", "telling_loss"]

WORKERS_S = 60.0  # that work goes on waiting where all workers have gone
LOOK_S = 1.0  # between looks for workers while nothing comes
LARGE = "1 TiB"  # pieces hold pictures: that is no slip which somebody would have to be told of
AHEAD = 2  # pieces given out for each that is worked on, so that nobody waits for the next


class ClusterSpread:
    """The workers of a scheduler; made by `connect`. ``machines``: how many workers on each host; ``address``: where
    the scheduler is."""

    def __init__(self, client: Any, folder: Path, machines: dict[str, int]) -> None:
        self._client, self._folder, self.machines = client, folder, machines
        self.address = str(client.scheduler.address)  # a lost one has none

    @property
    def hands(self) -> int:
        """How many pieces are worked on at a time."""
        return max(1, sum(int(one["nthreads"]) for one in self.list_workers().values()))

    def list_workers(self) -> dict[str, Any]:
        """Return what the scheduler knows of each worker. Raises ClusterError where it was lost."""
        return list_workers(self._client, self.address)

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
        """Give a piece out and return its future. Raises ClusterError where the scheduler was lost."""
        key, packed = f"lightstack-{uuid4().hex}", pickle.dumps(piece, protocol=pickle.HIGHEST_PROTOCOL)
        import dask

        large = dask.config.set({"distributed.admin.large-graph-warning-threshold": LARGE})
        with telling_loss(self.address), large:
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
                workers, now = self._spread.list_workers(), time.monotonic()
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
            raise ClusterError(say_lost(self._spread.address))
        try:
            return future.result()
        except distributed.scheduler.KilledWorker as error:
            raise ClusterError(
                f"{self._spread.address}: a piece of the work ended every worker that took it; they may be short of "
                "memory: give each of them more, or fewer threads"
            ) from error
        except (distributed.CancelledError, distributed.comm.CommClosedError) as error:
            raise ClusterError(say_lost(self._spread.address)) from error


@contextmanager
def telling_loss(address: str) -> Iterator[None]:
    """Turn whatever a call of Dask's raises into one line: the scheduler does not answer it any more."""
    try:
        yield
    except LightstackError:
        raise
    except (Exception, CancelledError) as error:
        raise ClusterError(say_lost(address)) from error


def say_lost(address: str) -> str:
    """Return the line that says that the scheduler was lost."""
    return f"{address}: the scheduler was lost; start it and build again, what is finished stays"


def list_workers(client: Any, address: str) -> dict[str, Any]:
    """Return what a scheduler knows of each worker. Raises ClusterError where it was lost."""
    with telling_loss(address):
        return dict(client.scheduler_info(n_workers=-1)["workers"])
