"""The light stack's working copy: the lamp stills as an uncompressed EXR, and their guides beside it.

Light and validity stand in the file that is delivered, line by line, half floats, one part per still and
the other parts behind them: what is two thirds of everything a sweep writes is written once. The guides
that decide winners lie in a second file, by (still, row, guide, column). Both are written and read by whole
bands of rows, in any order and by several threads, so that accumulating needs no more memory than a band.
"""

from __future__ import annotations

import json
import os
import shutil
import weakref
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import Primaries, find_primaries
from lightstack.core.half import grow_rows, narrow_rows, pack_rows, to_float, unpack_rows
from lightstack.errors import OutputError
from lightstack.files.folder import explain_os_error, replaced_whole, write_whole
from lightstack.files.write.exr_lines import ExrLayout, PartHeader, plan_exr

BAND_ROWS = 64
HALF_MAX = 65504.0  # IEEE 754 binary16
STILL_CHANNELS = ("R", "G", "B", "A")


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
    def guide_bytes(self) -> int:
        return 2 * self.stills * self.height * self.guides * self.width


class LightStack:
    """A working copy on disk. Make one with `create_stack`, find one again with `open_stack`."""

    def __init__(self, path: Path, shape: StackShape, layout: ExrLayout, *, writing: bool) -> None:
        self.path = path
        self.shape = shape
        self.layout = layout
        self._writing = writing
        self.open()

    def __reduce__(self) -> tuple[Any, ...]:
        """Go to another process or machine by the path, where the files are opened there."""
        return _open_there, (self.path, self.shape, self.layout, self._writing)

    def open(self) -> None:
        """Open the files, anew where they are open already: then what other machines have written is seen."""
        self._light = _File(self.path, self._writing)
        self._guide = _File(guide_path(self.path), self._writing)

    def sync(self) -> None:
        """Send what was written to the disk, so that other machines see it."""
        for file in (self._light, self._guide):
            file.sync()

    def rows_of(self, band: int) -> slice:
        """Picture rows of a band."""
        first = band * BAND_ROWS
        return slice(first, min(first + BAND_ROWS, self.shape.height))

    def write_still(
        self,
        index: int,
        light: NDArray[np.float32],
        valid: NDArray[np.float32],
        *,
        guide: NDArray[np.float32],
    ) -> None:
        """Store one still: ``light`` (H, W, 3), ``valid`` (H, W), ``guide`` (H, W, G), limited to half range."""
        for band in range(self.shape.bands):
            rows = self.rows_of(band)
            self.write_light(band, index, light[rows], valid[rows])
        self.write_guide(index, guide)

    def write_light(
        self, band: int, index: int, light: NDArray[np.float32], valid: NDArray[np.float32] | None
    ) -> None:
        """Store one band of a still: ``light`` (rows, W, 3), ``valid`` (rows, W), or None where all of it is."""
        rows = self.rows_of(band)
        chunks = self.layout.blank_lines(index, rows.start, rows.stop - rows.start)
        trust = np.ones((0, 0), np.float32) if valid is None else np.ascontiguousarray(valid, np.float32)
        pack_rows(np.ascontiguousarray(light, np.float32), trust, self.layout.planes_of(chunks, index))
        self._light.write(chunks, self.layout.offset(index, rows.start))

    def write_guide(self, index: int, guide: NDArray[np.float32]) -> None:
        """Store a still's guide (H, W, G), or one at half size, (ceil(H / 2), ceil(W / 2), G), that is doubled."""
        doubled = guide.shape[:2] != (self.shape.height, self.shape.width)
        guide = np.ascontiguousarray(guide, np.float32)
        for band in range(self.shape.bands):
            rows = self.rows_of(band)
            out = np.empty((rows.stop - rows.start, self.shape.guides, self.shape.width), np.uint16)
            if doubled:
                grow_rows(rows.start, guide, out)
            else:
                narrow_rows(guide[rows], out)
            self._guide.write(out, self._guide_offset(index, rows.start))

    def read_band(
        self, band: int, index: int
    ) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """Return light (rows, W, 3), validity (rows, W), guide (rows, W, G) of one still in one band, float32."""
        light, valid = self.read_light(band, index)
        rows, width = valid.shape
        packed = np.empty((rows, self.shape.guides, width), np.uint16)
        self._guide.read(packed, self._guide_offset(index, self.rows_of(band).start))
        guide = to_float(packed.view(np.float16))
        guide = guide.reshape(rows, width, 1) if self.shape.guides == 1 else guide.transpose(0, 2, 1)
        return light, valid, np.ascontiguousarray(guide)

    def read_light(self, band: int, index: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return light (rows, W, 3) and validity (rows, W) of one still in one band, float32."""
        rows = self.rows_of(band)
        chunks = np.empty((rows.stop - rows.start, self.layout.steps[index] // 2), np.uint16)
        self._light.read(chunks, self.layout.offset(index, rows.start))
        light = np.empty((len(chunks), self.shape.width, 3), np.float32)
        valid = np.empty(light.shape[:2], np.float32)
        unpack_rows(self.layout.planes_of(chunks, index), light, valid)
        return light, valid

    def read_valid(self, band: int, index: int) -> NDArray[np.float32]:
        """Return the validity (rows, W) of one still in one band alone, float32."""
        rows = self.rows_of(band)
        chunks = np.empty((rows.stop - rows.start, self.layout.steps[index] // 2), np.uint16)
        self._light.read(chunks, self.layout.offset(index, rows.start))
        return to_float(self.layout.planes_of(chunks, index)[:, 0].view(np.float16))

    def read_still(self, index: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return one whole still: light (H, W, 3) and validity (H, W), float32."""
        parts = [self.read_light(band, index) for band in range(self.shape.bands)]
        return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])

    def write_part(self, part: int, picture: NDArray) -> None:
        """Store one of the parts behind the stills: (H, W[, 3]) float32 as half floats, or (H, W) uint32.

        Raises OutputError where light lies beyond the range of half floats.
        """
        header = self.layout.headers[part]
        if header.kind == "half":
            _refuse_beyond_half(picture, header.name, self.path)
        for band in range(self.shape.bands):
            rows = self.rows_of(band)
            chunks = self.layout.blank_lines(part, rows.start, rows.stop - rows.start)
            if header.kind == "half":
                flipped = picture[rows].reshape(len(chunks), self.shape.width, -1)[..., ::-1]  # B, G, R
                narrow_rows(np.ascontiguousarray(flipped, np.float32), self.layout.planes_of(chunks, part))
            else:
                words = np.ascontiguousarray(picture[rows], "<u4")
                chunks[:, -2 * self.shape.width :] = words.view(np.uint16)
            self._light.write(chunks, self.layout.offset(part, rows.start))

    def deliver(self, path: Path) -> None:
        """Give the finished file a second name outside of the scratch folder, or a copy where that cannot be.

        Raises OutputError where the disk is full or the place cannot be written; nothing is left behind.
        """
        with replaced_whole(path) as part:
            part.unlink(missing_ok=True)
            try:
                os.link(self.path, part)
            except OSError:  # not every file system can
                shutil.copyfile(self.path, part)

    @property
    def files(self) -> tuple[Path, Path, Path]:
        """The files of the working copy: light, guides, and the note that says that it is finished."""
        return stack_files(self.path)

    def flush(self) -> None:
        """Note beside the working copy what it holds, which says that it is finished."""
        self.sync()
        note = {"shape": asdict(self.shape), "headers": [asdict(header) for header in self.layout.headers]}
        write_whole(note_path(self.path), json.dumps(note).encode())

    def _guide_offset(self, index: int, row: int) -> int:
        return 2 * (index * self.shape.height + row) * self.shape.guides * self.shape.width


class _File:
    """A file that several threads read and write at places of their own."""

    def __init__(self, path: Path, writing: bool) -> None:
        self._path = path
        self._lock = Lock()
        flags = os.O_RDWR if writing else os.O_RDONLY
        self._number = os.open(path, flags | getattr(os, "O_BINARY", 0))
        weakref.finalize(self, os.close, self._number)

    def write(self, data: NDArray, offset: int) -> None:
        rest = np.ascontiguousarray(data).data.cast("B")
        with explain_os_error(self._path):
            while rest:
                done = self._write_some(rest, offset)
                rest, offset = rest[done:], offset + done

    def sync(self) -> None:
        with explain_os_error(self._path):
            os.fsync(self._number)

    def read(self, into: NDArray, offset: int) -> None:
        """Fill a contiguous array. Raises EOFError where the file ends before."""
        rest = into.data.cast("B")
        while rest:
            done = self._read_some(rest, offset)
            if done == 0:
                raise EOFError(f"{self._path}: ends early; build again with --force")
            rest, offset = rest[done:], offset + done

    def _write_some(self, data: memoryview, offset: int) -> int:
        if hasattr(os, "pwrite"):
            return os.pwrite(self._number, data, offset)
        with self._lock:
            os.lseek(self._number, offset, os.SEEK_SET)
            return os.write(self._number, data)

    def _read_some(self, data: memoryview, offset: int) -> int:
        if hasattr(os, "preadv"):
            return os.preadv(self._number, [data], offset)
        with self._lock:
            os.lseek(self._number, offset, os.SEEK_SET)
            read = os.read(self._number, len(data))
        data[: len(read)] = read
        return len(read)


def _open_there(path: Path, shape: StackShape, layout: ExrLayout, writing: bool) -> LightStack:
    return LightStack(path, shape, layout, writing=writing)


def _refuse_beyond_half(picture: NDArray, name: str, path: Path) -> None:
    peak = max(float(np.nanmax(picture)), -float(np.nanmin(picture)))
    if peak > HALF_MAX:
        raise OutputError(f"{path}: part {name} holds {peak:.6g}, half floats end at 65504; check its take")


def guide_path(path: Path) -> Path:
    """Return where the guides of a working copy lie."""
    return path.with_suffix(".guides")


def note_path(path: Path) -> Path:
    """Return where it is noted that a working copy is finished."""
    return path.with_suffix(".json")


def stack_files(path: Path) -> tuple[Path, Path, Path]:
    """Return the files of a working copy: light, guides, note."""
    return path, guide_path(path), note_path(path)


def plan_stack(
    shape: StackShape, headers: Sequence[PartHeader] | None = None, primaries: str | Primaries = "bt709"
) -> ExrLayout:
    """Plan a working copy's file; ``headers``: of its stills and of the parts behind them, plain by default."""
    if headers is None:
        headers = [PartHeader(f"still_{k:05d}", STILL_CHANNELS) for k in range(shape.stills)]
    found = find_primaries(primaries) if isinstance(primaries, str) else primaries
    return plan_exr(headers, size=(shape.height, shape.width), primaries=found)


def create_stack(
    path: Path,
    shape: StackShape,
    *,
    headers: Sequence[PartHeader] | None = None,
    primaries: str | Primaries = "bt709",
) -> LightStack:
    """Make room for a working copy, reserving its disk space at once.

    ``headers``: one per still, RGBA half floats, then those of the other parts. ``primaries``: of all of them.

    Raises
    ------
    OutputError
        If the disk cannot hold it; the size is named and nothing is left behind.
    """
    layout = plan_stack(shape, headers, primaries)
    sizes = {path: layout.size_bytes, guide_path(path): max(shape.guide_bytes, 1)}
    for file in (note_path(path), *sizes):  # the note goes first: what is half written must not pass for finished
        with explain_os_error(file):
            file.unlink(missing_ok=True)  # whoever has an older one open, or under another name, keeps it
    try:
        for file, size in sizes.items():
            reserve_space(file, size)
        with path.open("rb+") as stream:
            stream.write(layout.head + layout.offset_tables())
    except OSError as error:
        for file in sizes:
            file.unlink(missing_ok=True)
        need = sum(sizes.values()) / 2**20
        raise OutputError(
            f"{path}: the light stack needs {need:.0f} MiB ({error.strerror}); "
            "free space or use fewer key frames"
        ) from error
    return LightStack(path, shape, layout, writing=True)


def reserve_space(path: Path, size: int) -> None:
    """Make a file of ``size`` bytes whose space is there. Raises OSError where it is not."""
    with path.open("wb") as stream:
        if hasattr(os, "posix_fallocate"):
            os.posix_fallocate(stream.fileno(), 0, size)
        else:  # not every system reserves space ahead; there a full disk shows when stills are written
            stream.truncate(size)


def open_stack(path: Path) -> LightStack:
    """Open a finished working copy read-only.

    Raises FileNotFoundError if there is none, ValueError if it is broken or not as long as it was written.
    """
    try:
        note = json.loads(note_path(path).read_bytes())
        shape = StackShape(**note["shape"])
        headers = [PartHeader(**{**header, "channels": tuple(header["channels"])}) for header in note["headers"]]
        layout = plan_stack(shape, headers)
    except (ValueError, KeyError, TypeError, RecursionError, AttributeError) as error:
        raise ValueError(f"{path}: its note cannot be read") from error
    for file, size in ((path, layout.size_bytes), (guide_path(path), max(shape.guide_bytes, 1))):
        if file.stat().st_size != size:
            raise ValueError(f"{file}: {file.stat().st_size} bytes where {size} were expected")
    return LightStack(path, shape, layout, writing=False)
