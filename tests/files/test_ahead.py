"""Running ahead in a background thread."""

import threading
import time

import pytest

from lightstack.files.called_off import CalledOff, may_be_called_off
from lightstack.files.read.ahead import read_ahead


def test_items_come_in_order():
    assert list(read_ahead(lambda: iter(range(50)), depth=3)) == list(range(50))


def test_work_is_done_ahead_but_not_far():
    made = []

    def make():
        for i in range(20):
            made.append(i)
            yield i

    items = read_ahead(make, depth=2)
    assert next(items) == 0
    deadline = time.monotonic() + 5
    while len(made) < 4 and time.monotonic() < deadline:
        time.sleep(0.01)
    time.sleep(0.1)
    assert 3 <= len(made) <= 4  # one taken, two waiting, one in hand
    items.close()


def test_an_error_comes_in_its_place():
    def make():
        yield 1
        yield 2
        raise ValueError("third")

    items = read_ahead(make)
    assert [next(items), next(items)] == [1, 2]
    with pytest.raises(ValueError, match="third"):
        next(items)
    with pytest.raises(StopIteration):
        next(items)


def test_an_error_on_making_is_raised():
    def make():
        raise OSError("no such thing")

    with pytest.raises(OSError, match="no such thing"):
        next(read_ahead(make))


def test_closing_stops_the_thread_and_closes_the_iterator():
    closed = []

    def make():
        try:
            while True:
                yield 0
        finally:
            closed.append(threading.current_thread().name)

    items = read_ahead(make)
    next(items)
    items.close()
    assert closed == ["read-ahead"]
    assert not any(thread.name == "read-ahead" for thread in threading.enumerate())


def test_work_that_is_called_off_ends_at_the_next_item():
    off, threads = [], threading.active_count()
    with may_be_called_off(lambda: bool(off)):
        items = read_ahead(lambda: iter(range(50)))
        assert next(items) == 0
        off.append(True)
        with pytest.raises(CalledOff):
            next(items)
    assert threading.active_count() == threads
    assert list(read_ahead(lambda: iter(range(5)))) == list(range(5))
