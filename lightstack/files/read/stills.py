"""Stills -> arrays of code values, one file at a time.

OpenImageIO reads them all. Against imageio: one library and one set of names for EXR (half, float,
multi-part, windows), DPX, TIFF, PNG and JPEG; codes come back as stored (10-bit DPX included), alpha is
never multiplied in, and headers can be judged before a pixel is allocated. imageio's plug-ins give 8 bits
by default for some of them, do not read DPX, and say little of what they converted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import MismatchedInput, MissingInput, UnreadableInput
from lightstack.files.exr_look import look_over_exr
from lightstack.files.limits import check_limit, clean_words, load_pictures
from lightstack.files.read.sequences import StillSequence, find_stills
from lightstack.files.read.stilltags import StillHeader, read_tags
from lightstack.files.reading import reading
from lightstack.files.still_look import look_over_still
from lightstack.records import Encoding

__all__ = [
    "Still",
    "StillHeader",
    "StillSequence",
    "StillsReader",
    "find_stills",
    "read_header",
    "read_still",
]


@dataclass(frozen=True, slots=True)
class Still:
    """One still, not yet rotated or converted.

    ``pixels``: ``(H, W, 3)`` uint8, uint16 (codes as stored: 0..1023 for 10 bit), float16 or float32, over
    the whole display window. ``notes`` and ``encoding.assumed``: one plain sentence each.
    """

    pixels: NDArray
    header: StillHeader

    @property
    def encoding(self) -> Encoding:
        return self.header.encoding

    @property
    def alpha_present(self) -> bool:
        return self.header.alpha_present

    @property
    def notes(self) -> tuple[str, ...]:
        return self.header.notes


def read_header(path: str | Path) -> StillHeader:
    """Read a still's header. Raises MissingInput, UnreadableInput."""
    with _opened(Path(path)) as source:
        return _read_header(Path(path), source)


def read_still(path: str | Path) -> Still:
    """Read one still: EXR, DPX, TIFF, PNG or JPEG.

    Of a multi-part EXR the first part that holds R, G, B is read; a data window smaller than the display
    window is pasted into black, a larger one is cut to it. Grey is repeated three times; alpha is left out.
    Raises: MissingInput; UnreadableInput where the file is empty, truncated, not a picture, absurdly large
    (refused before room is made for it, see `files/limits.py`), or holds NaN or infinity.
    """
    path = Path(path)
    with _opened(path, whole=True) as source:
        header = _read_header(path, source)
        stored = _read_pixels(path, source, header)
    _check_finite(path, stored, header)
    return Still(_paste(stored, header), header)


class StillsReader:
    """The stills of one take. All must have the first one's size and kind of codes."""

    def __init__(self, path: str | Path, *, allow_gaps: bool = False) -> None:
        self.sequence = find_stills(path, allow_gaps=allow_gaps)
        self.header = read_header(self.sequence.paths[self.sequence.first])

    @property
    def numbers(self) -> tuple[int, ...]:
        """Frame numbers that are there, ascending."""
        return tuple(self.sequence.paths)

    def read(self, number: int) -> Still:
        """Read one still by its number.

        Raises: KeyError outside the take; MismatchedInput where it differs from the first still in size or
        kind; and what `read_still` raises.
        """
        path = self.sequence.paths[number]
        still = read_still(path)
        first, own = self.header, still.header
        if (own.width, own.height) != (first.width, first.height):
            raise MismatchedInput(
                f"{path}: is {own.width} x {own.height}, the take began as {first.width} x {first.height}; "
                "one size through a take is expected"
            )
        if (own.codes, own.encoding.bit_depth) != (first.codes, first.encoding.bit_depth):
            raise MismatchedInput(
                f"{path}: holds {own.codes} of {own.encoding.bit_depth} bits, the take began with "
                f"{first.codes} of {first.encoding.bit_depth}; one kind through a take is expected"
            )
        for what, here, begun in _list_kinds(own, first):
            if here != begun:
                raise MismatchedInput(
                    f"{path}: its {what} is {here}, the take began with {begun}; one kind through a take is expected"
                )
        return still

    def stream(self, numbers: Iterable[int] | None = None, *, ahead: int = 2) -> Iterator[tuple[int, Still]]:
        """Give (number, still) in the order of ``numbers`` (default: all), reading up to ``ahead`` in
        advance.

        Closing the iterator stops the readers; an error comes at the frame that caused it.
        """
        pending: deque[tuple[int, Any]] = deque()
        with ThreadPoolExecutor(max_workers=max(ahead, 1)) as pool:
            try:
                for number in self.numbers if numbers is None else numbers:
                    pending.append((number, pool.submit(self.read, number)))
                    if len(pending) > ahead:
                        yield pending[0][0], pending.popleft()[1].result()
                while pending:
                    yield pending[0][0], pending.popleft()[1].result()
            finally:
                for _, future in pending:
                    future.cancel()


def _list_kinds(own: StillHeader, first: StillHeader) -> list[tuple[str, object, object]]:
    """What a still and the take's first one say of themselves that pixels do not show."""
    return [
        ("curve", own.encoding.transfer, first.encoding.transfer),
        ("primaries", own.encoding.primaries, first.encoding.primaries),
        ("turn in degrees", own.rotation, first.rotation),
    ]


# --- reading ---------------------------------------------------------------------------------------


@contextmanager
def _opened(path: Path, *, whole: bool = False) -> Iterator[Any]:
    """Open a still; ``whole``: all of it is to be read, so its end is looked for first."""
    with reading(path):
        source = _open(path, whole)
        try:
            yield source
        finally:
            source.close()


def _open(path: Path, whole: bool) -> Any:
    oiio = load_pictures()
    if not path.exists():
        raise MissingInput(f"{path}: nothing is there")
    if path.is_dir():
        raise UnreadableInput(f"{path}: is a folder, a still was expected")
    if path.stat().st_size == 0:
        raise UnreadableInput(f"{path}: is empty (0 bytes); copy it again")
    look_over_exr(path)
    if whole:
        look_over_still(path)
    hints = oiio.ImageSpec()
    hints.attribute("oiio:UnassociatedAlpha", 1)  # never multiply alpha into the codes
    source = oiio.ImageInput.open(str(path), hints)
    if source is None:
        raise UnreadableInput(f"{path}: is not a readable still ({clean_words(oiio.geterror)})")
    return source


def _read_header(path: Path, source: Any) -> StillHeader:
    specs: list[Any] = []
    while source.seek_subimage(len(specs), 0):
        specs.append(source.spec())
        check_limit(path, "PICTURE_PARTS", len(specs))
    clean_words(source.geterror)  # asking for the part after the last one leaves a complaint behind
    return read_tags(path, specs, source.format_name())


def _read_pixels(path: Path, source: Any, header: StillHeader) -> NDArray:
    first, last = min(header.channels), max(header.channels) + 1
    pixels = source.read_image(header.part, 0, first, last, header.codes)
    complaint = clean_words(source.geterror)
    if pixels is None or complaint:
        raise UnreadableInput(f"{path}: is truncated or damaged ({complaint}); copy it again")
    pixels = pixels.reshape(header.window[3], header.window[2], -1)
    picked = np.ascontiguousarray(pixels[..., [channel - first for channel in header.channels]])
    unused = {"uint8": 8, "uint16": 16}.get(header.codes, 0) - header.encoding.bit_depth
    # Codes of 10 and 12 bits are handed over scaled up to 16, their top bits repeated below.
    return picked >> unused if unused > 0 else picked


def _paste(stored: NDArray, header: StillHeader) -> NDArray:
    x, y, width, height = header.window
    if (x, y, width, height) == (0, 0, header.width, header.height):
        return stored
    out = np.zeros((header.height, header.width, 3), stored.dtype)
    top, left = max(y, 0), max(x, 0)
    bottom, right = min(y + height, header.height), min(x + width, header.width)
    if bottom > top and right > left:
        out[top:bottom, left:right] = stored[top - y : bottom - y, left - x : right - x]
    return out


def _check_finite(path: Path, stored: NDArray, header: StillHeader) -> None:
    if stored.dtype.kind != "f" or np.isfinite(stored).all():
        return
    bad = ~np.isfinite(stored).all(axis=-1)
    row, column = np.argwhere(bad)[0]
    raise UnreadableInput(
        f"{path}: {int(bad.sum())} pixels are NaN or infinite, the first at x {column + header.window[0]}, "
        f"y {row + header.window[1]}; render or write it again without them"
    )

