"""`lightstack clean`: a clean plate of takes alone, without a shot file."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import OutFolder, explain_os_error, real_path
from lightstack.files.folder_lock import NAME, folder_is_busy, held_folder
from lightstack.files.kept.identity import list_files
from lightstack.files.read.sequences import STILL_SUFFIXES
from lightstack.files.shot.schema import TakeSettings
from lightstack.jobs.clean.clean import CleanRequest, CleanTake, check_method, make_clean
from lightstack.jobs.clean.results import describe_clean, judge_clean, name_files, warn_clean, write_clean
from lightstack.jobs.takes.machines import with_machines
from lightstack.jobs.takes.options import BuildResult, TakeOptions
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import Progress

__all__ = ["CleanOptions", "clean_takes"]

BESIDE = ".scratch"  # how scratch folders beside a result end
NUMBER = re.compile(r"[._]*(#+|%0?\d*d|\d+)[._]*$")  # of a sequence's frames, at the end of a name


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanOptions(TakeOptions):
    """How to make a clean plate without a shot file: the keys of ``[clean]`` and of a take."""

    method: str = "median"
    frames: tuple[tuple[int | str, int | str], ...] = ()
    most_frames: int = 31
    fill: bool = False


def clean_takes(takes: Sequence[Path], out: Path, *, options: CleanOptions, progress: Progress) -> BuildResult:
    """Make a clean plate of one or several takes of the same framing, written to ``out`` and beside it.

    Raises
    ------
    LightstackError
        For footage or settings that cannot be used; nothing half-written is left.
    """
    check_take_options(options)
    check_method(options.method, options.most_frames)
    check_paths(takes, out)
    asked = CleanRequest(
        takes=tuple(CleanTake(read_as(path, options), (path,), name) for path, name in name_takes(takes)),
        method=options.method,
        frames=options.frames,
        most_frames=options.most_frames,
        fill=options.fill,
        options=options,
    )
    with scratch_beside(out) as scratch, with_machines(options, OutFolder(scratch), progress=progress) as used:
        outcome = make_clean(replace(asked, options=used), scratch, progress=progress)
        files = write_clean(out.parent, out.stem, outcome)
    return BuildResult(
        out=out.parent,
        files=tuple(name for name, _ in files),
        warnings=warn_clean(out.stem, outcome),
        verdicts=(judge_clean(out.stem, outcome),),
        numbers=describe_clean(outcome),
    )


def check_paths(takes: Sequence[Path], out: Path) -> None:
    """Refuse takes that are not there and a result that is no EXR or would replace a take."""
    if not takes:
        raise SettingError("no take was named; give at least one movie or sequence")
    for path in takes:
        if not path.exists() and "#" not in path.name and "%" not in path.name:
            raise MissingInput(f"{path}: nothing is there; check the path")
    check_out(out)
    results = {real_path(out.parent / name) for name in name_files(out.stem)} | {real_path(out)}
    for path in takes:
        for file in list_files(path):
            if real_path(file) in results:
                raise SettingError(f"--out {out}: would be written over {file}, which is filmed; name another file")


def check_out(out: Path) -> None:
    """Refuse a result that is no EXR file, or that a folder stands in the way of. Raises SettingError."""
    if not out.name:  # nothing was typed, or a dot
        raise SettingError("--out: names no file; name one that ends in .exr, such as clean.exr")
    if out.is_dir():
        raise SettingError(f"--out {out}: is a folder; name a file in it, such as {out / 'clean.exr'}")
    if out.suffix.lower() != ".exr":
        raise SettingError(f"--out {out}: a clean plate is written as OpenEXR; name a file that ends in .exr")
    for name in name_files(out.stem):
        if (out.parent / name).is_dir():
            raise SettingError(f"--out {out}: {out.parent / name} is a folder; remove it or name another file")


def name_takes(takes: Sequence[Path]) -> list[tuple[Path, str]]:
    """Give every take a name of its own, from its file's."""
    named: list[tuple[Path, str]] = []
    for path in takes:
        numbered = path.suffix.lower() in STILL_SUFFIXES
        stem = (NUMBER.sub("", path.stem) if numbered else "") or path.stem or "take"
        name, count = stem, 2
        while any(name == other for _, other in named):
            name, count = f"{stem}_{count}", count + 1
        named.append((path, name))
    return named


def read_as(path: Path, options: TakeOptions) -> TakeSettings:
    """Return the settings with which a take is read."""
    return TakeSettings(
        path=(str(path),),
        colour=options.colour,
        response=options.response,
        range=options.range,  # type: ignore[arg-type]
        matrix=options.matrix,  # type: ignore[arg-type]
    )


def begin_beside(out: Path) -> str:
    """Return how the name of a result's scratch folder begins; short, for names have an end."""
    return f".{out.stem[:40]}."


def remove_killed(out: Path) -> None:
    """Remove the scratch folders that killed runs left beside a result."""
    for left in out.parent.iterdir():
        ours = left.name.startswith(begin_beside(out)) and left.name.endswith(BESIDE) and (left / NAME).is_file()
        if ours and not left.is_symlink() and not folder_is_busy(left):
            shutil.rmtree(left, ignore_errors=True)


@contextmanager
def scratch_beside(out: Path) -> Iterator[Path]:
    """Give a folder for scratch files beside a result; it is removed afterwards, and folders made for nothing too."""
    made = [folder for folder in real_path(out.parent).parents if not folder.exists()]
    existed = out.parent.exists()
    with explain_os_error(out.parent):
        out.parent.mkdir(parents=True, exist_ok=True)
        remove_killed(out)
        scratch = Path(tempfile.mkdtemp(prefix=begin_beside(out), suffix=BESIDE, dir=out.parent))
    try:
        with held_folder(scratch, "work"):  # says to others that it is no killed run's
            yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        for folder in (*(() if existed else (out.parent,)), *made):
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()
