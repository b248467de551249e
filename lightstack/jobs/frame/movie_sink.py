"""The finished shot as a movie in the hero's own encoding."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from lightstack.files.folder import read_json, write_json
from lightstack.files.read.takes import Take
from lightstack.files.write.shot_movie import MovieCoder, begin_shot_movie
from lightstack.jobs.frame.shot_frames import ShotFrame
from lightstack.jobs.frame.whole_movie import WholeMovie, find_mask
from lightstack.report.phrases import say_count

__all__ = ["MovieSink", "recall_movie"]

NAMED = 5  # frames named where light went beyond what the encoding holds


class MovieSink(WholeMovie):
    """Writes the finished shot as a movie; a context manager.

    ``path``: without ending. ``frames``: source frames of the hero, inclusive. Where no light falls the hero's own
    samples go to the encoder. What is beyond the encoding's top is clipped there and counted.
    """

    def __init__(
        self, path: Path, hero: Take, *, codec: str, frames: tuple[int, int], rate: Fraction | None = None
    ) -> None:
        self._movie = begin_shot_movie(path, hero, first=frames[0], last=frames[1], codec=codec, rate=rate)
        super().__init__(self._movie)
        self.name = self._movie.path.name
        self.work = MovieWork(self._movie.coder)
        self._beyond: dict[int, tuple[int, int, int]] = {}

    def put(self, shot_frame: int, piece: Any) -> None:
        """Write a frame's planes."""
        planes, beyond = piece
        self._movie.write_coded(planes)
        if any(beyond):
            self._beyond[shot_frame] = beyond

    def keep(self, path: Path) -> None:
        """Write what is to be said of the movie in this and in later builds."""
        lines = [f"{self.name}: {note}" for note in self._movie.notes]
        write_json(path, {"name": self.name, "warnings": [*lines, *self._warn_beyond()]})

    def _warn_beyond(self) -> list[str]:
        if not self._beyond:
            return []
        most = {frame: max(counts) for frame, counts in self._beyond.items()}
        worst = sorted(most, key=lambda frame: (-most[frame], frame))[:NAMED]
        named = ", ".join(f"{frame} ({say_count(most[frame], 'pixel')})" for frame in worst)
        totals = [sum(counts[channel] for counts in self._beyond.values()) for channel in range(3)]
        channel = "RGB"[totals.index(max(totals))]
        return [
            f"{self.name}: in {say_count(len(most), 'frame')} there is more light than the hero's encoding holds, most "
            f"in {channel}; it is clipped at the top there, worst at {named}. The EXR frames hold it all; a lower mix "
            "avoids it"
        ]


@dataclass(frozen=True, slots=True, eq=False)
class MovieWork:
    """Codes a frame for the movie."""

    coder: MovieCoder

    def __call__(self, shot: ShotFrame) -> Any:
        """Return the frame's planes and how many pixels were beyond the encoding."""
        changed = find_mask(shot)
        coded = self.coder.code(shot.source, shot.relit, changed=changed)
        return coded.planes, self.coder.count_beyond(shot.relit, hero=shot.before, changed=changed)


def recall_movie(path: Path) -> tuple[str, list[str]] | None:
    """Return a movie's name and warnings as they were kept; None where they cannot be read."""
    kept = read_json(path)
    name, warnings = kept.get("name"), kept.get("warnings")
    if not isinstance(name, str) or not isinstance(warnings, list):
        return None
    return name, [str(line) for line in warnings]
