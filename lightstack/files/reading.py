"""Which files are being read at this moment: noted where whoever watches over this process can see it.

A decoder that a damaged file brings down takes the whole process with it, and only what was noted before can tell which
file it was. The notes lie in memory that two processes share, in slots: one for each file that is open for reading.
"""

from __future__ import annotations

import mmap
import os
import struct
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["list_readings", "make_board", "reading", "use_board"]

SLOTS, SLOT_BYTES = 32, 1024  # more files than that are never open together, but for an instant
_HEAD = struct.Struct("<QH")  # which reading it is, counted from 1 (0: nobody reads), and how long the name is
_lock = threading.Lock()
_board: mmap.mmap | None = None
_count = 0


def make_board() -> mmap.mmap:
    """Make the memory for the notes; processes that are forked later share it."""
    return mmap.mmap(-1, SLOTS * SLOT_BYTES)


def use_board(board: mmap.mmap | None) -> None:
    """Note readings of this process on a board from now on; None: nowhere."""
    global _board
    _board = board


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Note that a file is being read, as long as this lasts. Where nobody watches this does nothing."""
    board = _board
    slot = None if board is None else _take_slot(board, path)
    try:
        yield
    finally:
        if board is not None and slot is not None:
            board[slot : slot + 8] = bytes(8)


def _take_slot(board: mmap.mmap, path: Path) -> int | None:
    global _count
    name = os.fsencode(path)[-(SLOT_BYTES - _HEAD.size) :]
    with _lock:
        free = (slot for slot in range(0, len(board), SLOT_BYTES) if board[slot : slot + 8] == bytes(8))
        slot = next(free, None)
        if slot is not None:
            _count += 1
            board[slot + _HEAD.size : slot + _HEAD.size + len(name)] = name
            board[slot : slot + _HEAD.size] = _HEAD.pack(_count, len(name))
    return slot


def list_readings(board: mmap.mmap) -> list[Path]:
    """Return the files that are noted as being read, the latest first, each once."""
    found = []
    for slot in range(0, len(board), SLOT_BYTES):
        number, length = _HEAD.unpack(board[slot : slot + _HEAD.size])
        if number:
            begin = slot + _HEAD.size
            found.append((number, Path(os.fsdecode(board[begin : begin + length]))))
    return list(dict.fromkeys(path for _, path in sorted(found, reverse=True)))
