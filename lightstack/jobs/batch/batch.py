"""`lightstack batch`: every shot below a folder built; one that fails is told, and the others go on."""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from lightstack.errors import LightstackError
from lightstack.files.folder import real_path, write_changed
from lightstack.files.processors import usable_processors
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.batch.find import find_shots
from lightstack.jobs.review.render import BuildRun
from lightstack.jobs.stage.standing import kept_result, recall_shot
from lightstack.jobs.takes.options import BuildOptions, BuildResult
from lightstack.records import BatchShot, Progress
from lightstack.report.batch import make_batch_page, say_batch

__all__ = ["PAGE", "BatchOptions", "BatchResult", "build_batch"]

PAGE = "batch.html"
LOOK_S = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchOptions(BuildOptions):
    """How to build many shots. ``jobs``: so many at a time, each in a process of its own."""

    jobs: int = 1


@dataclass(frozen=True, slots=True)
class BatchResult:
    """Where the page is, and what became of each shot, in order."""

    page: Path
    shots: tuple[BatchShot, ...]

    @property
    def summary(self) -> str:
        """How many were built, and how many not."""
        return say_batch(self.shots)


@dataclass(frozen=True, slots=True)
class Planned:
    """A shot to build: its file, its name and its folder for results; ``line``: why it cannot be begun."""

    path: Path
    name: str
    out: Path | None
    line: str = ""


def build_batch(folder: Path, *, options: BatchOptions, progress: Progress) -> BatchResult:
    """Build every shot below ``folder`` and write the page of all of them into it.

    Raises
    ------
    MissingInput, SettingError
        Where there is no folder or no shot; a shot that fails is no error here.
    """
    planned = plan_shots(find_shots(folder))
    known: dict[int, BatchShot] = {}
    waiting: list[int] = []
    with progress.step("shots", len(planned)) as step:
        for index, shot in enumerate(planned):
            found = recall_planned(folder, shot, options)
            if found is None:
                waiting.append(index)
                continue
            known[index] = found
            say_shot(found, progress)
            step.advance()
        share = replace(options, jobs=max(1, min(options.jobs, len(waiting))))
        for index, ended in run_builds(folder, planned, waiting, share):
            known[index] = ended
            say_shot(ended, progress)
            step.advance()
    shots = tuple(known[index] for index in range(len(planned)))
    write_changed(folder / PAGE, make_batch_page(shots))
    return BatchResult(folder / PAGE, shots)


def plan_shots(paths: Sequence[Path]) -> list[Planned]:
    """Read every shot file; two that build into one folder would take each other's results away."""
    planned: list[Planned] = []
    outs: dict[Path, Path] = {}
    for path in paths:
        try:
            settings = read_shot(path)
        except LightstackError as error:
            planned.append(Planned(path, path.stem, None, str(error)))
            continue
        first = outs.setdefault(real_path(settings.out), path)
        same = f"{path}: builds into {settings.out}, as {first} does; give it an `out` of its own"
        line = "" if first == path else same
        planned.append(Planned(path, settings.shot.name, settings.out, line))
    return planned


def recall_planned(folder: Path, shot: Planned, options: BuildOptions) -> BatchShot | None:
    """Return what is known of a shot without building it: that it cannot be begun, or did not change."""
    if shot.line:
        return describe_shot(folder, shot, None, state="failed", line=shot.line)
    if options.force:
        return None
    try:
        result = recall_shot(shot.path, options)
    except LightstackError:
        return None  # the build says what is wrong
    return None if result is None else describe_shot(folder, shot, result, state="built", unchanged=True)


def run_builds(
    folder: Path, planned: Sequence[Planned], waiting: Sequence[int], options: BatchOptions
) -> Iterator[tuple[int, BatchShot]]:
    """Build shots in processes of their own, so many at a time, and give each as it ends.

    Where this is stopped, the builds are, and clear up.
    """
    left, running = list(waiting), dict[int, BuildRun]()
    try:
        while left or running:
            while left and len(running) < options.jobs:
                index = left.pop(0)
                path = planned[index].path
                running[index] = run = BuildRun(path, options, lambda: None, command_of(path, options))
                run.start()
            for index, run in list(running.items()):
                if run.state.state != "running":
                    del running[index]
                    yield index, read_ended(folder, planned[index], run)
            time.sleep(LOOK_S)
    finally:
        for run in running.values():
            run.cancel()
        for run in running.values():
            run.close()


def command_of(path: Path, options: BatchOptions) -> list[str]:
    """Return what builds one shot, with its share of processors and of memory where several are built."""
    share = max(1, options.jobs)
    threads = options.threads or (max(1, usable_processors() // share) if share > 1 else 0)
    given = {
        "force": options.force,
        "verify": options.verify,
        "keep_readable": options.keep_readable,
        "ocio": None if options.ocio is None else str(options.ocio),
        "memory_bytes": None if options.memory_bytes is None else options.memory_bytes // share,
        "beside": share,
        "threads": threads,
        "cluster": options.cluster,
    }
    return [sys.executable, "-m", "lightstack.jobs.review.child", str(path), json.dumps(given)]


def read_ended(folder: Path, shot: Planned, run: BuildRun) -> BatchShot:
    """Return what became of a shot whose process has ended."""
    state = run.state
    if state.state == "done" and shot.out is not None:
        result = kept_result(shot.out)
        if result is not None:
            return describe_shot(folder, shot, result, state="built")
    line = state.line or "the build ended without a word; run `lightstack build` on it to see why"
    return describe_shot(folder, shot, None, state="failed", line=line)


def describe_shot(
    folder: Path, shot: Planned, result: BuildResult | None, *, state: str, line: str = "", unchanged: bool = False
) -> BatchShot:
    """Return what is told of a shot, by paths that hold wherever the folder lies."""
    path = os.path.relpath(shot.path, folder)
    told = BatchShot(path, shot.name, state, line=shorten(line, folder), unchanged=unchanged)
    if shot.out is None or result is None:
        return told
    report = shot.out / "report.html"
    return replace(
        told,
        out=os.path.relpath(shot.out, folder),
        report=os.path.relpath(report, folder) if report.is_file() else "",
        flashes=result.flashes,
        verdicts=result.verdicts,
        warnings=tuple(shorten(warning, folder) for warning in result.warnings),
    )


def shorten(line: str, folder: Path) -> str:
    """Return a line without the folder that all shots lie in."""
    return line.replace(f"{folder}{os.sep}", "") if str(folder) != "." else line


def say_shot(shot: BatchShot, progress: Progress) -> None:
    """Tell of a shot that has ended."""
    if shot.state != "built":
        progress.say(f"{shot.shot}: {shot.state}: {shot.line}")
    else:
        progress.say(f"{shot.shot}: {'unchanged' if shot.unchanged else 'built'}")
