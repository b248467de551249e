"""`lightstack element`: a thing tossed or falling through the shot, pulled out of a take of its own."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import real_path
from lightstack.files.kept.identity import list_files
from lightstack.jobs.clean.clean import CleanTake
from lightstack.jobs.clean.takes import name_takes, read_as, scratch_beside
from lightstack.jobs.element.pull import ElementRequest, Wishes, open_tries, pull_frames, read_bare
from lightstack.jobs.element.results import write_frames_of, write_tries
from lightstack.jobs.takes.options import BuildResult, TakeOptions
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import Progress

__all__ = ["ElementOptions", "pull_element"]

STEMS = ("element", "shadow")
Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ElementOptions(TakeOptions):
    """How to pull a thing without a shot file: the keys of ``[[element]]`` and of a take."""

    frames: tuple[tuple[int | str, int | str], ...] = ()
    garbage: tuple[Corners, ...] = ()
    ends_inside: Corners = ()
    sharp: float = 1.0
    free: float = 1.0
    pick: int | None = None
    at: int | None = None
    shadow: bool = True


def pull_element(
    takes: Sequence[Path], empty: Path, out: Path, *, options: ElementOptions, progress: Progress
) -> BuildResult:
    """Pull a thing out of the best of several tries against the empty set, into the folder ``out``.

    Raises
    ------
    LightstackError
        For footage or settings that cannot be used; nothing half-written is left.
    """
    check_take_options(options)
    check_paths(takes, empty, out)
    if len(options.frames) > 1:
        raise SettingError("--frames: one range holds for all tries, such as 12-40")
    named = name_takes([*takes, empty])
    request = ElementRequest(
        tries=tuple(as_take(path, name, options) for path, name in named[:-1]),
        frames=options.frames[0] if options.frames else None,
        garbage=options.garbage,
        wishes=Wishes(options.ends_inside, False, options.sharp, options.free),
        pick=options.pick,
        at=options.at,
        options=options,
    )
    with scratch_beside(out / "element.exr") as scratch, ExitStack() as opened:
        bare = read_bare(as_take(*named[-1], options), scratch, request, progress=progress)
        tries = open_tries(request, bare, scratch, opened, progress=progress)
        told = tries.looks[tries.picked].told
        files = write_tries(out, tries, request, stem="")
        frames = pull_frames(tries, request, progress=progress)
        files += write_frames_of(
            out, frames, stems=STEMS, first=told.first, at=options.at, primaries=bare.origin.primaries,
            shadow=options.shadow,
        )  # fmt: skip
    return BuildResult(
        out=out,
        files=tuple(name for name, _ in files),
        warnings=tries.warnings,
        numbers={
            "pulled": f"{told.name}, frames {told.first} to {told.last}",
            "let go": f"frame {told.first}" if told.held else "no hand held it",
            **{f"{one.rank}. {one.name}": "; ".join(one.reasons) for one in tries.ranks},
        },
    )


def as_take(path: Path, name: str, options: ElementOptions) -> CleanTake:
    """Return a take as the options say."""
    return CleanTake(read_as(path, options), (path,), name)


def check_paths(takes: Sequence[Path], empty: Path, out: Path) -> None:
    """Refuse takes that are not there, a result that is no folder, and results that would replace what is read."""
    if not takes:
        raise SettingError("no take was named; give at least one try")
    for path in (*takes, empty):
        if not path.exists() and "#" not in path.name and "%" not in path.name:
            raise MissingInput(f"{path}: nothing is there; check the path")
    if out.exists() and not out.is_dir():
        raise SettingError(f"--out {out}: is a file; name a folder for the frames")
    for path in (*takes, empty):
        for file in list_files(path):
            if real_path(file).parent == real_path(out) and file.name.split(".")[0] in STEMS:
                raise SettingError(f"--out {out}: holds {file.name}, which is read; name another folder")
