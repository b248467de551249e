"""A simulated schedule of many builds on many workers, from the parts of one that was measured."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["Part", "Simulated", "name_bottleneck", "simulate"]


@dataclass
class Part:
    """A part of a build: ``seconds`` by the wall with one worker, of which ``pieces`` (seconds each) were given out;
    ``span``: seconds from the first one's beginning to the last one's end."""

    name: str
    seconds: float
    pieces: list[float] = field(default_factory=list)
    span: float = 0.0

    @property
    def ours(self) -> float:
        """Seconds of it that are spent where the command was typed."""
        return max(0.0, self.seconds - sum(self.pieces))


@dataclass(frozen=True)
class Simulated:
    """Hours until the last shot is built; how busy the workers and the processors of the shots at work are, 0 to 1."""

    hours: float
    workers_busy: float
    ours_busy: float


def simulate(parts: Sequence[Part], *, shots: int, workers: int, jobs: int) -> Simulated:
    """Simulate ``shots`` builds of the same ``parts``, ``jobs`` at a time, each with a processor of its own.

    Of a part what is ours is done first, then its pieces go out, each to the worker that is free first; the next part
    begins once all of them have come.
    """
    free = [0.0] * workers
    waiting = [(0.0, shot, 0, False) for shot in range(min(jobs, shots))]  # when which shot goes on with which part
    begun, end, given, ours = len(waiting), 0.0, 0.0, 0.0
    while waiting:
        now, shot, at, ready = heapq.heappop(waiting)
        if at == len(parts):
            end = max(end, now)
            if begun < shots:
                heapq.heappush(waiting, (now, begun, 0, False))
                begun += 1
        elif not ready:
            ours += parts[at].ours
            heapq.heappush(waiting, (now + parts[at].ours, shot, at, True))
        else:
            done = now
            for seconds in parts[at].pieces:
                finished = max(now, free[0]) + seconds
                heapq.heapreplace(free, finished)
                done = max(done, finished)
            given += sum(parts[at].pieces)
            heapq.heappush(waiting, (done, shot, at + 1, False))
    return Simulated(end / 3600, given / (end * workers), ours / (end * min(jobs, shots)))


def name_bottleneck(parts: Sequence[Part], workers: int, jobs: int) -> str:
    """Name what takes longest for a shot at the least: the workers, or what is done where the command was typed.

    The latter includes waiting for the longest piece of every part: no shot goes on before.
    """
    given = sum(sum(part.pieces) for part in parts) / workers
    alone = sum(part.ours + max(part.pieces, default=0.0) for part in parts) / jobs
    if given >= alone:
        return f"the workers ({given:.2f} s a shot, the rest {alone:.2f} s)"
    longest: dict[str, float] = {}
    for part in parts:
        longest[part.name] = longest.get(part.name, 0.0) + part.ours
    most = ", ".join(f"{name} {longest[name]:.1f} s" for name in sorted(longest, key=longest.__getitem__)[:-4:-1])
    return f"what is not spread ({alone:.2f} s a shot, the workers {given:.2f} s; of one shot {most})"
