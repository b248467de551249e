"""Numbered stills as a part of a take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

from lightstack.files.read.stills import StillsReader
from lightstack.files.read.stilltags import StillHeader
from lightstack.records import CodedFrame

__all__ = ["StillsPart"]


class StillsPart:
    """Stills that keep their own numbers. ``decoded`` counts stills read; none is read unasked."""

    run_in = 0

    def __init__(self, path: Path) -> None:
        self._reader = StillsReader(path)
        self.decoded = 0
        self.notes: list[str] = []

    @property
    def header(self) -> StillHeader:
        return self._reader.header

    @property
    def paths(self) -> tuple[Path, ...]:
        return tuple(self._reader.sequence.paths.values())

    @property
    def first(self) -> int:
        return self._reader.numbers[0]

    @property
    def count(self) -> int:
        return len(self._reader.numbers)

    @property
    def left_out(self) -> set[int]:
        """Damaged frames: a still that cannot be read is an error."""
        return set()

    def hear(self, notes: Sequence[str], left_out: Sequence[int]) -> None:
        """Take over what another reader of the same stills found out."""
        self.notes += [note for note in notes if note not in self.notes]

    def list_sync(self) -> None:
        """The frames at which reading can begin: every one."""
        return

    def stream(self, first: int, last: int) -> Iterator[CodedFrame]:
        """Give stills ``first`` to ``last``."""
        return self.pick(range(first, last + 1))

    def pick(self, numbers: Sequence[int]) -> Iterator[CodedFrame]:
        """Give the stills of ascending ``numbers``."""
        rate = self.header.rate
        for number, still in self._reader.stream(numbers):
            self.decoded += 1
            seconds = Fraction(number - self.first) / rate if rate else None
            yield CodedFrame(number, (still.pixels,), seconds, still.header.timecode)
