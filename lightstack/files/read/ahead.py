"""Run an iterator ahead of its reader in a background thread."""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator, Iterator
from queue import Empty, Full, Queue
from typing import TypeVar

from lightstack.files.called_off import go_on

__all__ = ["read_ahead"]

T = TypeVar("T")

_END = object()
POLL_SECONDS = 0.05  # how soon the thread notices that its reader has gone


class _Failure:
    def __init__(self, error: BaseException) -> None:
        self.error = error


def read_ahead(make: Callable[[], Iterator[T]], *, depth: int = 3) -> Generator[T, None, None]:
    """Yield what ``make()`` yields, up to ``depth`` items prepared in advance, in order.

    The iterator is made, advanced and closed in the background thread. Its exceptions are raised here, in
    their place in the order. Closing this generator stops the thread and waits for it.

    Notes: at most ``depth`` + 2 items are alive at a time.
    """
    queue: Queue = Queue(maxsize=depth)
    stop = threading.Event()
    thread = threading.Thread(target=_fill_queue, args=(make, queue, stop), name="read-ahead", daemon=True)
    thread.start()
    try:
        while True:
            go_on()
            item = queue.get()
            if item is _END:
                return
            if isinstance(item, _Failure):
                raise item.error
            yield item
            del item
    finally:
        stop.set()
        _drain(queue)
        thread.join()
        _drain(queue)


def _fill_queue(make: Callable[[], Iterator], queue: Queue, stop: threading.Event) -> None:
    last: object = _END
    iterator = None
    try:
        iterator = make()
        for item in iterator:
            if not _put(queue, item, stop):
                return
            del item
    except BaseException as error:  # handed to the reader, who raises it
        last = _Failure(error)
    finally:
        close = getattr(iterator, "close", None)
        if close is not None:
            close()
    _put(queue, last, stop)


def _put(queue: Queue, item: object, stop: threading.Event) -> bool:
    while not stop.is_set():
        try:
            queue.put(item, timeout=POLL_SECONDS)
        except Full:
            continue
        return True
    return False


def _drain(queue: Queue) -> None:
    while True:
        try:
            queue.get_nowait()
        except Empty:
            return
