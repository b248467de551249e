"""Start a shot file: look at the footage of a folder and write down what each take seems to be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.casting import Candidate, Cast, cast_takes
from lightstack.core.check.guess import look_at_take
from lightstack.errors import LightstackError, OutputError, UnusableTake
from lightstack.files.read.footage import Footage, list_footage
from lightstack.files.read.takes import open_take
from lightstack.files.shot.shotfile import parse_shot, write_new_shot
from lightstack.jobs.new_text import Opened, write_shot_text
from lightstack.jobs.takes.options import NewResult
from lightstack.records import Progress

__all__ = ["start_shot"]

SAMPLES = 32
PROXY_WIDTH = 160
SHOT_FILE = "shot.toml"


@dataclass(frozen=True, slots=True)
class Looked:
    """The takes that could be looked at, and one line for each that could not."""

    opened: tuple[Opened, ...]
    candidates: tuple[Candidate, ...]
    failures: tuple[str, ...]


def start_shot(folder: Path, *, progress: Progress) -> NewResult:
    """Write ``shot.toml`` into a folder of footage, each guess with its reason, and a first fade.

    Raises
    ------
    MissingInput, UnreadableInput
        If there is no such folder or it cannot be read.
    UnusableTake
        If no footage lies there, or none of it can be read.
    OutputError
        If a shot file is there already (it is never overwritten) or cannot be written.
    """
    shot_path = folder / SHOT_FILE
    footage = list_footage(folder)
    if shot_path.exists() or shot_path.is_symlink():
        raise OutputError(f"{shot_path}: is there already and is never overwritten; move it away or edit it")
    if not footage:
        raise UnusableTake(f"{folder}: holds no movies and no numbered stills; name the folder with the footage")
    looked = _look_at_all(folder, footage, progress)
    if not looked.candidates:
        raise UnusableTake(f"{folder}: none of {len(footage)} takes can be read; the first: {looked.failures[0]}")
    cast = cast_takes(looked.candidates)
    text = write_shot_text(folder, cast, looked.opened, looked.failures)
    parse_shot(text, shot_path)  # what we write must be what we read
    write_new_shot(shot_path, text)
    return NewResult(shot_path=shot_path, lines=_list_lines(cast, looked.failures))


def _look_at_all(folder: Path, footage: tuple[Footage, ...], progress: Progress) -> Looked:
    """Look at every take; one that cannot be read is told, not fatal."""
    opened: list[Opened] = []
    candidates: list[Candidate] = []
    failures: list[str] = []
    with progress.step("look at the footage", len(footage)) as step:
        for take in footage:
            try:
                facts, frames = _sample_take(folder / take.path, take.path)
                opened.append(facts)
                candidates.append(Candidate(take.path, facts.frame_count, facts.shape, look_at_take(frames)))
            except LightstackError as error:
                failures.append(f"{take.path}: {_shorten(str(error), folder / take.path)}")
            step.advance()
    return Looked(tuple(opened), tuple(candidates), tuple(failures))


def _sample_take(path: Path, name: str) -> tuple[Opened, NDArray[np.float32]]:
    """Read evenly spaced frames of a take, small: (n, h, w, 3) float32 linear light."""
    with open_take(path, name=name) as take:
        info = take.info
        count = max(1, info.frame_count)
        offsets = np.unique(np.linspace(0, count - 1, min(SAMPLES, count)).round().astype(int))
        factor = max(1, max(info.width, info.height) // PROXY_WIDTH)
        numbers = [info.first_frame + int(offset) for offset in offsets]
        frames = [take.proxy(frame, factor).rgb.astype(np.float32) for frame in take.read_frames(numbers)]
        if not frames:
            raise UnusableTake(f"{path}: no frame of it can be read")
        facts = Opened(name, count, (info.width, info.height), info.rate, info.encoding.assumed)
        return facts, np.stack(frames)


def _shorten(line: str, path: Path) -> str:
    """Leave the path out of an error that is told beside it."""
    return line.removeprefix(f"{path}").lstrip(":, ") or line


def _list_lines(cast: Cast, failures: tuple[str, ...]) -> tuple[str, ...]:
    lines = [f"{part.role or 'left out'}: {', '.join(part.takes)}: {part.reason}" for part in cast.parts]
    for role, missing in (
        ("hero", "no hero was found: the light has nothing to be laid on yet"),
        ("sweep", "no sweep was found: there is no plate to be made yet"),
    ):
        if not cast.find(role):
            lines.append(missing)
    return (*lines, *(f"cannot be read: {failure}" for failure in failures))
