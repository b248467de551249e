"""The parts of a take: one movie file, or one sequence of numbered stills, opened and described."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from lightstack.core.colour.names import MEASURED
from lightstack.errors import MismatchedInput, SettingError
from lightstack.files.read.movie_turn import check_turn
from lightstack.files.read.movies import MovieReader
from lightstack.files.read.still_takes import StillsPart
from lightstack.files.read.tags import name_encoding, put_response, resolve_named
from lightstack.records import CodedFrame, Encoding, TakeInfo

__all__ = ["TakePart", "Wishes", "join_infos", "open_movie", "open_stills"]


class TakePart(Protocol):
    """One file (or numbered sequence) of a take."""

    decoded: int
    notes: list[str]

    @property
    def run_in(self) -> int: ...
    @property
    def left_out(self) -> set[int]: ...
    @property
    def first(self) -> int: ...
    @property
    def count(self) -> int: ...
    def list_sync(self) -> tuple[int, ...] | None: ...
    def stream(self, first: int, last: int) -> Iterator[CodedFrame]: ...
    def pick(self, numbers: Sequence[int]) -> Iterator[CodedFrame]: ...
    def hear(self, notes: Sequence[str], left_out: Sequence[int]) -> None: ...  # what another reader of it found out


@dataclass(frozen=True, slots=True)
class Wishes:
    """What was asked for on opening."""

    name: str
    colour: str
    range: str
    matrix: str
    rotate: str | int
    keep_readable: bool
    threads: int
    config: str | Path | None
    response: Path | None = None


def open_movie(path: Path, wishes: Wishes) -> tuple[TakePart, TakeInfo]:
    reader = MovieReader(path, keep_readable=wishes.keep_readable, threads=wishes.threads)
    facts = reader.facts
    encoding = name_encoding(
        facts.tags,
        facts.layout,
        facts.height,
        colour=wishes.colour,
        range=wishes.range,
        matrix=wishes.matrix,
        source=str(path),
        config=wishes.config,
        response=wishes.response,
    )
    rotation = check_turn(path, facts.rotation) if wishes.rotate == "auto" else _quarter_turns(wishes.rotate)
    width, height = (facts.height, facts.width) if rotation % 180 else (facts.width, facts.height)
    info = TakeInfo(
        name=wishes.name,
        paths=(path,),
        kind="movie",
        width=width,
        height=height,
        rate=facts.rate,
        first_frame=1,
        frame_count=facts.declared,
        encoding=encoding,
        codec=facts.codec,
        rotation=rotation,
        pixel_aspect=1 / facts.pixel_aspect if rotation % 180 else facts.pixel_aspect,
        timecode=facts.timecode,
        variable_rate=facts.variable_rate,
        notes=facts.notes,
    )
    return reader, info


def open_stills(path: Path, wishes: Wishes) -> tuple[TakePart, TakeInfo]:
    part = StillsPart(path)
    header = part.header
    encoding = _name_stills_encoding(header.encoding, wishes, str(path))
    rotation = header.rotation if wishes.rotate == "auto" else _quarter_turns(wishes.rotate)
    width, height = (header.height, header.width) if rotation % 180 else (header.width, header.height)
    info = TakeInfo(
        name=wishes.name,
        paths=part.paths,
        kind="stills",
        width=width,
        height=height,
        rate=header.rate,
        first_frame=part.first,
        frame_count=part.count,
        encoding=encoding,
        codec=part.paths[0].suffix.lower().lstrip("."),
        rotation=rotation,
        pixel_aspect=1 / header.pixel_aspect if rotation % 180 else header.pixel_aspect,
        timecode=header.timecode,
        notes=header.notes,
    )
    return part, info


def _name_stills_encoding(found: Encoding, wishes: Wishes, source: str) -> Encoding:
    encoding = found
    if wishes.colour not in ("auto", MEASURED):
        encoding = resolve_named(replace(found, assumed=()), wishes.colour, source=source, config=wishes.config)
    if wishes.range not in ("auto", "full", "limited", "legal"):
        raise SettingError(f"range = {wishes.range!r} is not known; expected auto, full or limited")
    if wishes.range != "auto":
        encoding = replace(encoding, range="full" if wishes.range == "full" else "limited")
    return put_response(encoding, wishes.response, source=source) if wishes.colour == MEASURED else encoding


def _quarter_turns(rotate: str | int) -> int:
    try:
        degrees = int(rotate)
    except ValueError:
        degrees = 1
    if degrees % 90:
        raise SettingError(f"rotate = {rotate!r} is not known; expected auto, 0, 90, 180 or 270")
    return degrees % 360


def join_infos(infos: Sequence[TakeInfo]) -> TakeInfo:
    """Describe several files as one take. Raises MismatchedInput where their sizes differ."""
    first = infos[0]
    if len(infos) == 1:
        return first
    notes: list[str] = []
    begins: list[int] = []
    begin = 1
    for number, info in enumerate(infos, start=1):
        if (info.width, info.height) != (first.width, first.height):
            raise MismatchedInput(
                f"{info.paths[0]}: is {info.width} x {info.height}, {first.paths[0]} of the same take is "
                f"{first.width} x {first.height}; files of one take must have one size"
            )
        notes.append(f"file {number} ({info.paths[0].name}) begins at frame {begin}")
        notes.extend(f"{info.paths[0].name}: {note}" for note in info.notes)
        begins.append(begin)
        begin += info.frame_count
    assumed = tuple(dict.fromkeys(line for info in infos for line in info.encoding.assumed))
    return replace(
        first,
        paths=tuple(path for info in infos for path in info.paths),
        first_frame=1,
        frame_count=begin - 1,
        encoding=replace(first.encoding, assumed=assumed),
        variable_rate=any(info.variable_rate for info in infos),
        notes=tuple(notes),
        joins=tuple(begins[1:]),
    )
