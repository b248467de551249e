"""What a stage needs to know of several machines: a way to have pieces of its work done, and where to cut."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Protocol

__all__ = ["Spread", "cut_at_sync", "cut_frames", "cut_range"]

ROUNDS = 4  # pieces for each worker: the last of them then waits for a quarter of a share at most
LONGEST = 3  # shares of frames in a piece before it is cut where decoding begins a second time


class Spread(Protocol):
    """Somebody who does pieces of work, elsewhere. Where a stage is given none, its own threads do it here."""

    @property
    def hands(self) -> int:
        """How many pieces are worked on at a time."""
        ...

    def describe(self) -> dict[str, Any]:
        """Say who they are, for the notes of a run."""
        ...

    def run(self, work: Callable[[Any, Any], Any], context: Any, pieces: Iterable[Any]) -> Iterator[Any]:
        """Give ``work(context, piece)`` for every piece, in their order; ``work`` stands in a module. Pieces are asked
        for as they are given out, a few ahead.

        Raises the LightstackError that a piece raised, and ClusterError where it cannot be done.
        """
        ...


def cut_range(count: int, hands: int, *, least: int = 1) -> list[range]:
    """Cut ``count`` things into ranges for so many ``hands``, of ``least`` at least."""
    size = max(least, -(-count // max(1, hands * ROUNDS)))
    return [range(begin, min(begin + size, count)) for begin in range(0, count, size)]


def cut_frames(
    numbers: Sequence[int], sync: Sequence[int] | None, hands: int, *, most: int = 1_000_000
) -> list[list[int]]:
    """Cut ascending frames into pieces for so many ``hands``, each of ``most`` frames at most.

    ``sync``: frames at which decoding can begin, None: at every one. Pieces begin where one is passed, so that nothing
    is decoded twice, unless they became too long by it.
    """
    size = min(most, max(1, -(-len(numbers) // max(1, hands * ROUNDS))))
    return _cut(numbers, sync, size, min(most, LONGEST * size))


def cut_at_sync(numbers: Sequence[int], sync: Sequence[int] | None, size: int) -> list[list[int]]:
    """Cut ascending frames where decoding can begin and nowhere else, once ``size`` of them are in a piece.

    Notes: pieces are the same however many hands there are.
    """
    return _cut(numbers, sync, size, len(numbers) + 1)


def _cut(numbers: Sequence[int], sync: Sequence[int] | None, size: int, longest: int) -> list[list[int]]:
    """Cut ascending frames at sync frames into pieces of ``size`` or more, of ``longest`` anywhere."""
    pieces: list[list[int]] = []
    for number in numbers:
        now = pieces[-1] if pieces else None
        if now is None or len(now) >= longest or (len(now) >= size and _passes_sync(now[-1], number, sync)):
            pieces.append([])
        pieces[-1].append(number)
    return pieces


def _passes_sync(before: int, number: int, sync: Sequence[int] | None) -> bool:
    """Tell whether decoding can begin between two frames, the second included."""
    return sync is None or bisect_right(sync, number) > bisect_right(sync, before)
