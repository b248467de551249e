"""Options that several commands share, and what every command does round its job."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from lightstack.cli.progress import TerminalProgress
    from lightstack.jobs.takes.options import BuildOptions, BuildResult
    from lightstack.records import Progress

__all__ = [
    "BuildRunning",
    "Cluster",
    "Json",
    "LookRunning",
    "Quiet",
    "Reading",
    "ShotFile",
    "Showing",
    "TakeRunning",
    "Verbose",
    "gather_words",
    "make_options",
    "open_progress",
    "run_job",
]

ShotFile = Annotated[Path, typer.Argument(metavar="SHOT.toml", help="The shot file.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result, or the error, as JSON on stdout.")]
Verbose = Annotated[
    int,
    typer.Option("-v", "--verbose", count=True, metavar="", help="Say more; twice, still more.", show_default=False),
]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 if a take should be shot again or frames flash.")]
Force = Annotated[bool, typer.Option("--force", help="Build every stage anew, also what is unchanged.")]
Verify = Annotated[bool, typer.Option("--verify", help="Check the content of every input, not only its date and size.")]
KeepReadable = Annotated[bool, typer.Option("--keep-readable", help="Use what can be read of a truncated movie.")]
Ocio = Annotated[
    Path | None,
    typer.Option("--ocio", metavar="FILE", help="Colour configuration [default: $OCIO, else built in]."),
]
Memory = Annotated[
    str | None, typer.Option("--memory", metavar="SIZE", help="Memory that the whole run may use, e.g. 2GiB.")
]
Threads = Annotated[
    int,
    typer.Option(
        "--threads", metavar="N", min=0, max=1024, help="Threads to use; 0 is as many as there are.", show_default=False
    ),
]
Cluster = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Dask scheduler whose workers help: tcp://host:8786; or none."),
]
Colour = Annotated[
    str, typer.Option("--colour", metavar="NAME", help="Encoding of the footage [its own tags].", show_default=False)
]
Response = Annotated[
    str | None, typer.Option("--response", metavar="FILE", help="What inspect measured, for --colour measured.")
]
Range = Annotated[
    str, typer.Option("--range", metavar="RANGE", help="auto, full or limited [auto].", show_default=False)
]
Matrix = Annotated[
    str,
    typer.Option("--matrix", metavar="NAME", help="auto, rgb, bt601, bt709 or bt2020 [auto].", show_default=False),
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How takes are read that no shot file names, as typed."""

    colour: Colour = "auto"
    response: Response = None
    range: Range = "auto"
    matrix: Matrix = "auto"


@dataclass(frozen=True, kw_only=True)
class Showing:
    """How what a job does and made is shown, as typed."""

    quiet: Quiet = False
    json: Json = False
    verbose: Verbose = 0


@dataclass(frozen=True, kw_only=True)
class TakeRunning(Showing):
    """How a job on takes is run; nothing in these groups changes what is made, ``ocio`` excepted."""

    keep_readable: KeepReadable = False
    memory: Memory = None
    ocio: Ocio = None
    threads: Threads = 0


@dataclass(frozen=True, kw_only=True)
class LookRunning(TakeRunning):
    """How a job on a shot is run that builds nothing anew and judges no take."""

    verify: Verify = False


@dataclass(frozen=True, kw_only=True)
class BuildRunning(LookRunning):
    """How a build is run, on which machines too."""

    force: Force = False
    strict: Strict = False
    cluster: Cluster = None


def make_options(running: TakeRunning) -> BuildOptions:
    """Make the options of a build from what was typed.

    Raises SettingError for a size or an address that is none, MissingInput.
    """
    from lightstack.jobs.takes.options import BuildOptions, check_cluster, check_ocio, parse_memory

    shown = {field.name for field in fields(Showing)}
    words = {name: value for name, value in asdict(running).items() if name not in shown}
    memory = words.pop("memory")
    options = BuildOptions(**words, memory_bytes=parse_memory(memory) if memory is not None else None)
    check_ocio(options)  # a slip is told before any footage is opened
    check_cluster(options)
    return options


def gather_words(running: TakeRunning, reading: Reading) -> dict[str, Any]:
    """Return the options of a job on takes by name. Raises SettingError for a size that is none."""
    shared = make_options(running)
    return {**{field.name: getattr(shared, field.name) for field in fields(shared)}, **asdict(reading)}


def open_progress(how: Showing) -> TerminalProgress:
    """Return the display of what a job does, to be used in a ``with``."""
    from lightstack.cli.progress import TerminalProgress

    return TerminalProgress(quiet=how.quiet or (how.json and not how.verbose), verbosity=how.verbose)


def run_job(command: str, job: Callable[[Progress], BuildResult], running: TakeRunning) -> None:
    """Run a job with a progress display and print what it made.

    Raises typer.Exit with 1 under ``--strict`` where a take should be shot again or the finished frames flash.
    """
    from lightstack.cli.results import print_result

    with open_progress(running) as progress:
        result = job(progress)
    again = any(verdict.grade == "reshoot" for verdict in result.verdicts)
    failed = getattr(running, "strict", False) and (again or result.flashes)  # not every job judges takes
    print_result(command, result, quiet=running.quiet, as_json=running.json, failed=failed)
    if failed:
        raise typer.Exit(1)
