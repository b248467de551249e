"""Takes: movies and numbered stills behind one interface, from code values to linear light.

``open_take`` gives a ``Take``: what is known of it (``info``), one forward pass (``frames``), named frames
(``read_frames``), and the conversions of a coded frame (``linear``, ``clipped``, ``proxy``).
"""

from __future__ import annotations

import os
from bisect import bisect_right
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.decoder import CLIP_SHARE, Decoder, build_decoder
from lightstack.core.colour.encode import EncodedPlanes, encode_planes, turn_upright
from lightstack.core.colour.light import find_primaries
from lightstack.core.colour.planes import (
    ProxyFrame,
    decode_band,
    decode_linear,
    decode_proxy,
    find_clipped,
    frame_size,
    is_packed,
    sum_linear,
)
from lightstack.errors import MissingInput, SettingError
from lightstack.files.read.ahead import read_ahead
from lightstack.files.read.colour import pin_config
from lightstack.files.read.parts import TakePart, Wishes, join_infos, open_movie, open_stills
from lightstack.files.read.sequences import looks_like_stills
from lightstack.records import BoolArray, CodedFrame, Encoding, TakeInfo

__all__ = ["FoundReading", "ProxyFrame", "Take", "open_again", "open_take"]

FRAMES_AHEAD = 3

FloatArray = NDArray[np.float32]


def open_take(
    path: str | Path | Sequence[str | Path],
    *,
    name: str = "take",
    colour: str = "auto",
    range: str = "auto",
    matrix: str = "auto",
    rotate: str | int = "auto",
    working: str | None = None,
    keep_readable: bool = False,
    threads: int = 0,
    config: str | Path | None = None,
    response: Path | None = None,
) -> Take:
    """Open a movie, numbered stills, a folder of stills, or a list of these as one take.

    ``colour``: "auto" (tags), a curve, "curve/primaries", a space of the colour configuration ``config`` (default: the
    pinned one), or "measured", by the file ``response``. ``range``: "auto", "full", "limited". ``matrix``: "auto",
    "bt601", "bt709", "bt2020". ``rotate``: "auto" or degrees clockwise. ``working``: primaries that ``Take.linear``
    converts into. ``keep_readable``: use what decodes of a damaged movie. ``threads``: of the decoder, 0 = as many as
    there are cores.

    A list opens as one take with frames numbered on from 1; ``info.notes`` says where each file begins.

    Raises MissingInput, UnreadableInput, MismatchedInput, InputError, SettingError, one line each.
    """
    paths = [Path(path)] if isinstance(path, str | Path) else [Path(one) for one in path]
    if not paths:
        raise MissingInput(f"take {name!r} names no file; give it a path")
    if working is not None:
        find_primaries(working)
    wishes = Wishes(name, colour, range, matrix, rotate, keep_readable, threads, config, response)
    opened = [
        open_stills(one, wishes) if looks_like_stills(one) else open_movie(one, wishes) for one in paths
    ]
    take = Take([part for part, _ in opened], [info for _, info in opened], working, config=config)
    take.address = {
        "path": [Path(os.path.abspath(one)) for one in paths], "name": name, "colour": colour, "range": range,
        "matrix": matrix, "rotate": rotate, "working": working, "keep_readable": keep_readable, "threads": threads,
        "config": pin_config(config), "response": response,
    }  # fmt: skip
    return take


def open_again(address: dict[str, Any], **other: Any) -> Take:
    """Open a take by its ``address``, ``other`` words in place of its own. Raises as `open_take`."""
    return open_take(**{**address, **other})


@dataclass(frozen=True, slots=True)
class FoundReading:
    """What was found out by reading a take somewhere else: frames decoded, of these the run-in, and by file of the
    take the notes and the frames that were left out."""

    decoded: int
    run_in: int
    parts: tuple[tuple[tuple[str, ...], tuple[int, ...]], ...]


class Take:
    """An open take; use it as a context manager. Frames come as coded planes; the methods convert them.

    Frames hold the decoder's own memory: keep few of them. ``address``: what `open_take` was asked for, by which a take
    goes to another process or machine and is opened there.
    """

    address: dict[str, Any]

    def __init__(
        self,
        parts: Sequence[TakePart],
        infos: Sequence[TakeInfo],
        working: str | None,
        *,
        config: str | Path | None = None,
    ) -> None:
        self.info = join_infos(infos)
        # files of a list may differ in their primaries; one take is one space
        self.working = working if len(infos) == 1 else working or infos[0].encoding.primaries
        self._config = config
        self._parts = parts
        self._infos = infos
        self._begins = [self.info.first_frame]  # source frame at which each part begins
        for info in infos[:-1]:
            self._begins.append(self._begins[-1] + info.frame_count)
        self._decoders = [build_decoder(info.encoding, self.working) for info in infos]
        self._running: list[Generator[CodedFrame, None, None]] = []
        self._processors: dict[int, Any] = {}
        self._noted: list[str] = []
        self._elsewhere = (0, 0)  # decoded and run-in of readers on other machines

    def __reduce__(self) -> tuple[Any, ...]:
        return open_again, (self.address,)

    def __enter__(self) -> Take:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Stop every pass that is still running."""
        while self._running:
            self._running.pop().close()

    @property
    def decoded_count(self) -> int:
        """Frames really decoded so far, run-in included (the frame decoded to open a movie is not)."""
        return sum(part.decoded for part in self._parts) + self._elsewhere[0]

    @property
    def run_in_count(self) -> int:
        """Frames decoded only to get from a sync frame to a named frame."""
        return sum(part.run_in for part in self._parts) + self._elsewhere[1]

    @property
    def reading_notes(self) -> tuple[str, ...]:
        """What was found out while reading, one sentence each (a truncated end that was kept)."""
        return (*(note for part in self._parts for note in part.notes), *self._noted)

    def note(self, line: str) -> None:
        """Add a sentence to what was found out while reading."""
        self._noted.append(line)

    # --- read in pieces, by others ---

    @property
    def keeps_readable(self) -> bool:
        """Whether damaged frames are left out where they would be an error."""
        return bool(self.address["keep_readable"])

    def opened_again(self, *, threads: int = 0) -> Take:
        """Open the take once more, for a reader of its own; ``threads`` of its decoder."""
        return open_again(self.address, threads=threads)

    def found(self) -> FoundReading:
        """Return what was found out while reading."""
        parts = tuple((tuple(part.notes), tuple(sorted(part.left_out))) for part in self._parts)
        return FoundReading(self.decoded_count, self.run_in_count, parts)

    def add_found(self, found: FoundReading, *, again: int = 0) -> None:
        """Count in what another reader of a piece found out, less ``again`` frames that one alone had not decoded."""
        decoded, run_in = self._elsewhere
        self._elsewhere = (decoded + found.decoded - again, run_in + found.run_in - again)
        for part, (notes, left_out) in zip(self._parts, found.parts, strict=True):
            part.hear(notes, left_out)

    def count_again(self, before: int, number: int) -> int:
        """Return how many frames a reader that begins at ``number`` decodes that one who came from ``before`` has."""
        sync = self.list_sync()
        begin = number if sync is None else sync[max(bisect_right(sync, number) - 1, 0)]
        return max(0, before + 1 - begin)

    # --- frames ---

    def frames(self, first: int | None = None, last: int | None = None) -> Iterator[CodedFrame]:
        """Give source frames ``first`` to ``last`` (inclusive; default: all) in one forward pass.

        Decoding runs a few frames ahead in a background thread.
        Raises SettingError for frames outside the take; errors of the files at the frame concerned.
        """
        info = self.info
        first = info.first_frame if first is None else first
        last = info.last_frame if last is None else last
        self._check_numbers((first, last))
        return self._run(lambda: self._stream(first, last))

    def read_frames(self, numbers: Sequence[int]) -> Iterator[CodedFrame]:
        """Give the frames of ascending, distinct ``numbers``, decoding no more than needed.

        Raises SettingError for frames outside the take or out of order.
        """
        wanted = [int(number) for number in numbers]
        if any(b <= a for a, b in pairwise(wanted)):
            raise SettingError(
                f"take {self.info.name!r}: named frames must ascend without repeats, got {wanted[:8]}"
            )
        self._check_numbers(wanted)
        return self._run(lambda: self._pick(wanted))

    def _run(self, make: Any) -> Iterator[CodedFrame]:
        running = read_ahead(make, depth=FRAMES_AHEAD)
        self._running.append(running)
        return running

    def _check_numbers(self, numbers: Sequence[int]) -> None:
        info = self.info
        outside = [n for n in numbers if not info.first_frame <= n <= info.last_frame]
        if outside:
            raise SettingError(
                f"take {info.name!r} ({info.paths[0].name}): frame {outside[0]} is not in it; "
                f"it holds frames {info.first_frame}-{info.last_frame}"
            )

    def list_sync(self) -> tuple[int, ...] | None:
        """Give the source frames at which decoding can begin, ascending; None where it can at every one."""
        found: list[int] = []
        for part, begin, info in zip(self._parts, self._begins, self._infos, strict=True):
            own = part.list_sync()
            numbers = range(part.first, part.first + info.frame_count) if own is None else own
            found += [number - part.first + begin for number in numbers]
        return None if len(found) == self.info.frame_count else tuple(found)

    @property
    def file_starts(self) -> tuple[int, ...]:
        """The take's number of each file's first frame."""
        return tuple(self._begins)

    def number_of(self, file: int | None, frame: int) -> int | None:
        """Give the take's number of a frame of its ``file``-th file (1 = first; None: the number is the
        take's own). Returns None where the file or the frame is not there."""
        if file is None:
            return frame
        if not 1 <= file <= len(self._parts) or not 1 <= frame <= self._infos[file - 1].frame_count:
            return None
        return self._begins[file - 1] + frame - 1

    def _part_of(self, number: int) -> int:
        return max(bisect_right(self._begins, number) - 1, 0)

    def _renumber(self, frames: Iterator[CodedFrame], index: int) -> Iterator[CodedFrame]:
        shift = self._begins[index] - self._parts[index].first
        before = self._infos[:index]
        # a file's own clock begins anew; the take's goes on
        later = sum((info.frame_count / info.rate for info in before if info.rate), Fraction(0))
        for frame in frames:
            if shift == 0 and later == 0:
                yield frame
            else:
                seconds = None if frame.seconds is None else frame.seconds + later
                yield replace(frame, number=frame.number + shift, seconds=seconds)

    def _stream(self, first: int, last: int) -> Iterator[CodedFrame]:
        for index in range(self._part_of(first), self._part_of(last) + 1):
            part, begin = self._parts[index], self._begins[index]
            low = max(first, begin) - begin + part.first
            high = min(last - begin, part.count - 1) + part.first
            yield from self._renumber(part.stream(low, high), index)

    def _pick(self, numbers: Sequence[int]) -> Iterator[CodedFrame]:
        for index, part in enumerate(self._parts):
            shift = part.first - self._begins[index]
            own = [number + shift for number in numbers if self._part_of(number) == index]
            if own:
                yield from self._renumber(part.pick(own), index)

    # --- conversions ---

    def encoding_of(self, frame: CodedFrame) -> Encoding:
        """The encoding of a frame's own file (files of a list may differ)."""
        return self._infos[self._part_of(frame.number)].encoding

    def linear(self, frame: CodedFrame, out: FloatArray | None = None) -> FloatArray:
        """Turn a frame into upright linear light, ``(H, W, 3)`` float32, 1.0 = reference white.

        Primaries are ``working``, or the take's own. Values below 0 and above 1 survive.
        """
        index = self._part_of(frame.number)
        rotation = self._infos[index].rotation
        direct = out if rotation == 0 else None
        picture = turn_upright(decode_linear(self._decoders[index], frame.planes, direct), rotation)
        picture = self._process(index, picture)
        if out is None or picture is out:
            return picture
        out[...] = picture
        return out

    def reads_rows(self, frame: CodedFrame) -> bool:
        """Whether ``linear_rows`` and ``add_linear`` can serve a frame: planes, upright, by our own curves."""
        info = self._infos[self._part_of(frame.number)]
        return info.rotation == 0 and info.encoding.ocio_space is None and not is_packed(frame.planes)

    def linear_rows(self, frame: CodedFrame, first: int, last: int, out: FloatArray) -> FloatArray:
        """Turn rows ``first`` to ``last`` (excluded) of a frame into linear light, as ``linear`` does."""
        return decode_band(self._decoders[self._part_of(frame.number)], frame.planes, first, last, out)

    def add_linear(self, frame: CodedFrame, total: NDArray[np.float64]) -> None:
        """Add a frame's linear light to ``total`` ``(H, W, 3)`` float64."""
        sum_linear(self._decoders[self._part_of(frame.number)], frame.planes, total)

    def clipped(self, frame: CodedFrame) -> NDArray[np.uint8]:
        """Flag upright pixels at the ceiling: ``(H, W)`` uint8, bit 0/1/2 = R/G/B, judged on the signal."""
        index = self._part_of(frame.number)
        return turn_upright(find_clipped(self._decoders[index], frame.planes), self._infos[index].rotation)

    def proxy(self, frame: CodedFrame, factor: int, *, ceiling: float | None = None) -> ProxyFrame:
        """Box-average a frame by ``factor`` in code values, upright: linear light and clip bits.

        ``rgb`` ``(H // factor, W // factor, 3)`` float32; ``clipped`` uint8, a bit set where any pixel of the
        box is at the ceiling. Boxes begin at the upright top left; a rest at right and bottom is left out.
        ``ceiling``: R'G'B' signal in place of the encoding's own.
        """
        index = self._part_of(frame.number)
        rotation = self._infos[index].rotation
        origin = _box_origin(frame_size(frame.planes), factor, rotation)
        decoder = self._decoders[index]
        if ceiling is not None:
            decoder = replace(decoder, ceiling=np.float32(CLIP_SHARE * ceiling))
        small = decode_proxy(decoder, frame.planes, factor=factor, origin=origin)
        rgb = self._process(index, turn_upright(small.rgb, rotation))
        return ProxyFrame(rgb, turn_upright(small.clipped, rotation))

    def code(
        self, frame: CodedFrame, light: FloatArray, *, changed: BoolArray | None = None
    ) -> EncodedPlanes:
        """Code light as the frame it came from is coded: the exact inverse of ``linear``.

        ``light``: as ``linear`` gives it. ``changed`` ``(H, W)`` bool: where False the frame's codes stay.
        Raises SettingError for float and configuration-decoded takes, which have no such inverse.
        """
        info = self._infos[self._part_of(frame.number)]
        return encode_planes(
            light, info.encoding, like=frame, changed=changed, rotation=info.rotation, working=self.working
        )

    def _process(self, index: int, picture: FloatArray) -> FloatArray:
        """Send R'G'B' through the colour configuration's own processor where the encoding asks for it."""
        encoding = self._infos[index].encoding
        if encoding.ocio_space is None:
            return picture
        if index not in self._processors:
            from lightstack.files.read.colour import linear_processor  # it takes long to load

            self._processors[index] = linear_processor(
                encoding.ocio_space, self.working or encoding.primaries, config=self._config
            )
        return self._processors[index](picture)

    def decoder_of(self, frame: CodedFrame) -> Decoder:
        """The tables with which a frame is decoded."""
        return self._decoders[self._part_of(frame.number)]

    def seconds_of(self, number: int) -> Fraction | None:
        """Nominal time of a source frame from the take's start, or None without a rate."""
        if not self.info.rate:
            return None
        return Fraction(number - self.info.first_frame) / self.info.rate


def _box_origin(size: tuple[int, int], factor: int, rotation: int) -> tuple[int, int]:
    """Where the first box begins in the coded picture, so that boxes begin at the upright top left."""
    rest = (size[0] % factor, size[1] % factor)
    return (rest[0] if rotation in (90, 180) else 0, rest[1] if rotation in (180, 270) else 0)
