"""Work that somebody else may call off: it asks at every frame that it reads and every file that it writes.

Only there: a program that lives on, as a worker does, must not be interrupted just anywhere (half-loaded libraries
would be of no use to whatever it does next).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

__all__ = ["CalledOff", "go_on", "may_be_called_off"]

_is_off: ContextVar[Callable[[], bool] | None] = ContextVar("is_off", default=None)


class CalledOff(BaseException):
    """The work was called off; as with Ctrl-C nobody holds it up, and everybody cleans up on its way."""


@contextmanager
def may_be_called_off(is_off: Callable[[], bool]) -> Iterator[None]:
    """Let ``is_off`` say whether what this thread does meanwhile was called off."""
    before = _is_off.set(is_off)
    try:
        yield
    finally:
        _is_off.reset(before)


def go_on() -> None:
    """Raise CalledOff where what this thread does was called off."""
    is_off = _is_off.get()
    if is_off is not None and is_off():
        raise CalledOff
