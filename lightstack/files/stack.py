"""The light stack's working copy: half floats, band-major, memory-mapped.

One file holds, for every still, its planes: R, G, B of the lamp light, its validity, and the guide or
guides that decide winners. The order on disk is (band, still, plane, row, column): writing a still touches
one block per band, and a reader of one band finds all stills of it in one piece, so that accumulating
needs no more memory than a band.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import OutputError
from lightstack.files.folder import explain_os_error, write_whole

BAND_ROWS = 64
HALF_MAX = 65504.0  # IEEE 754 binary16


@dataclass(frozen=True, slots=True)
class StackShape:
    """Size of a working copy: picture ``(height, width)``, number of stills, guides per still."""

    height: int
    width: int
    stills: int
    guides: int = 1

    @property
    def bands(self) -> int:
        return -(-self.height // BAND_ROWS)

    @property
    def array_shape(self) -> tuple[int, int, int, int, int]:
        return self.bands, self.stills, 4 + self.guides, BAND_ROWS, self.width

    @property
    def size_bytes(self) -> int:
        return 2 * int(np.prod(self.array_shape, dtype=np.int64))


class LightStack:
    """A working copy on disk. Make one with `create_stack`, find one again with `open_stack`."""

    def __init__(self, path: Path, shape: StackShape, mode: str) -> None:
        self.path = path
        self.shape = shape
        self._data: NDArray[np.float16] = np.memmap(path, np.float16, mode=mode, shape=shape.array_shape)  # type: ignore[call-overload]

    def write_still(
        self,
        index: int,
        light: NDArray[np.float32],
        valid: NDArray[np.float32],
        *,
        guide: NDArray[np.float32],
    ) -> None:
        """Store one still: ``light`` (H, W, 3), ``valid`` (H, W), ``guide`` (H, W, G), limited to half range."""
        light, guide = limit_to_half(light), limit_to_half(guide)
        for band in range(self.shape.bands):
            rows = self.rows_of(band)
            block = self._data[band, index, :, : rows.stop - rows.start]
            block[:3] = light[rows].transpose(2, 0, 1)
            block[3] = valid[rows]
            block[4:] = guide[rows].transpose(2, 0, 1)

    def rows_of(self, band: int) -> slice:
        """Picture rows of a band."""
        first = band * BAND_ROWS
        return slice(first, min(first + BAND_ROWS, self.shape.height))

    def read_band(
        self, band: int, index: int
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """Return light (rows, W, 3), validity (rows, W), guide (rows, W, G) of one still in one band, float32."""
        rows = self.rows_of(band)
        block = np.asarray(self._data[band, index, :, : rows.stop - rows.start], np.float32)
        light = np.ascontiguousarray(block[:3].transpose(1, 2, 0))
        return light, block[3], np.ascontiguousarray(block[4:].transpose(1, 2, 0))

    def read_still(self, index: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return one whole still: light (H, W, 3) and validity (H, W), float32."""
        parts = [self.read_band(band, index) for band in range(self.shape.bands)]
        return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])

    def read_half(self, index: int) -> NDArray[np.float16]:
        """Return one whole still as it is stored: R, G, B, validity (H, W, 4) float16."""
        still = np.empty((self.shape.height, self.shape.width, 4), np.float16)
        for band in range(self.shape.bands):
            rows = self.rows_of(band)
            still[rows] = self._data[band, index, :4, : rows.stop - rows.start].transpose(1, 2, 0)
        return still

    def flush(self) -> None:
        """Hand everything written to the operating system's disk cache and note the shape beside it."""
        with explain_os_error(self.path):
            self._data.flush()  # type: ignore[attr-defined]
        write_whole(self.path.with_suffix(".json"), json.dumps(asdict(self.shape)).encode())


def limit_to_half(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a picture within the range of half floats; the picture itself where it is within already."""
    if float(picture.min(initial=0)) >= -HALF_MAX and float(picture.max(initial=0)) <= HALF_MAX:
        return picture
    return np.clip(picture, -HALF_MAX, HALF_MAX)


def create_stack(path: Path, shape: StackShape) -> LightStack:
    """Make room for a working copy, reserving its disk space at once.

    Raises
    ------
    OutputError
        If the disk cannot hold it; the size is named and nothing is left behind.
    """
    path.unlink(missing_ok=True)
    try:
        with path.open("wb") as stream:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(stream.fileno(), 0, max(shape.size_bytes, 1))
            else:  # not every system reserves space ahead; there a full disk shows when stills are written
                stream.truncate(max(shape.size_bytes, 1))
    except OSError as error:
        path.unlink(missing_ok=True)
        need = shape.size_bytes / 2**20
        raise OutputError(
            f"{path}: the light stack needs {need:.0f} MiB ({error.strerror}); "
            "free space or use fewer key frames"
        ) from error
    return LightStack(path, shape, "r+")


def open_stack(path: Path) -> LightStack:
    """Open a finished working copy read-only. Raises FileNotFoundError if there is none."""
    shape = StackShape(**json.loads(path.with_suffix(".json").read_text()))
    return LightStack(path, shape, "r")
