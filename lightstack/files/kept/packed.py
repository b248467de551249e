"""Small arrays of many frames in one packed file: written in order, read from anywhere and from any thread."""

from __future__ import annotations

import io
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import LightstackError, UnreadableInput
from lightstack.files.folder import replaced_whole
from lightstack.files.limits import check_limit, find_limit

__all__ = ["PackedWriter", "open_packed", "pack_arrays", "read_packed"]

EFFORT = 1  # of 9: what is flat packs well at any


class PackedWriter:
    """Appends frames to a packed file. ``places``: where each of them begins, and the end of the last."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.places = [0]

    def add(self, packed: bytes) -> None:
        """Append what `pack_arrays` made of a frame."""
        self._stream.write(packed)
        self.places.append(self.places[-1] + len(packed))


@contextmanager
def open_packed(path: Path) -> Iterator[PackedWriter]:
    """Open a packed file to write it whole or not at all. Raises OutputError where the disk is full."""
    with replaced_whole(path) as part, part.open("wb") as stream:
        yield PackedWriter(stream)


def pack_arrays(arrays: Sequence[NDArray]) -> bytes:
    """Pack the arrays of one frame."""
    stream = io.BytesIO()
    for array in arrays:
        np.save(stream, np.ascontiguousarray(array), allow_pickle=False)
    return zlib.compress(stream.getbuffer(), EFFORT)


def read_packed(path: Path, begin: int, end: int) -> tuple[NDArray, ...]:
    """Return the arrays of a frame that lies from byte ``begin`` up to ``end``. Raises UnreadableInput."""
    try:
        with path.open("rb") as stream:
            stream.seek(begin)
            raw = io.BytesIO(_unpack(path, stream.read(end - begin)))
        arrays = []
        while raw.tell() < len(raw.getbuffer()):
            arrays.append(np.load(raw, allow_pickle=False))
        return tuple(arrays)
    except LightstackError:
        raise
    except (OSError, ValueError, EOFError, MemoryError, zlib.error) as error:
        raise UnreadableInput(f"{path}: cannot be read ({error}); build again with --force") from error


def _unpack(path: Path, packed: bytes) -> bytes:
    """Undo the compression of a frame, up to what a frame can hold. Raises zlib.error, UnreadableInput."""
    most = find_limit("PACKED_BYTES")
    unpacker = zlib.decompressobj()
    raw = unpacker.decompress(packed, most + 1)
    check_limit(path, "PACKED_BYTES", len(raw))
    if not unpacker.eof:
        raise zlib.error("it ends early")
    return raw
