"""Options that several commands share, and what every command does round its job."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from lightstack.jobs.options import BuildOptions, BuildResult
    from lightstack.records import Progress

__all__ = [
    "Force",
    "Json",
    "KeepReadable",
    "Memory",
    "Ocio",
    "Quiet",
    "Strict",
    "Threads",
    "Verbose",
    "Verify",
    "make_options",
    "run_job",
]

Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print nothing but errors.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result, or the error, as JSON on stdout.")]
Verbose = Annotated[
    int, typer.Option("-v", "--verbose", count=True, metavar="", help="Say more; twice, still more.")
]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 if a take should be shot again.")]
Force = Annotated[bool, typer.Option("--force", help="Build every stage anew, also what is unchanged.")]
Verify = Annotated[
    bool, typer.Option("--verify", help="Check the content of every input, not only its date and size.")
]
KeepReadable = Annotated[
    bool, typer.Option("--keep-readable", help="Use what can be read of a truncated movie.")
]
Ocio = Annotated[
    Path | None,
    typer.Option("--ocio", metavar="FILE", help="Colour configuration [default: $OCIO, else built in]."),
]
Memory = Annotated[
    str | None, typer.Option("--memory", metavar="SIZE", help="Memory that the whole run may use, e.g. 2GiB.")
]
Threads = Annotated[
    int, typer.Option("--threads", metavar="N", min=0, help="Threads to use; 0 is as many as there are.")
]


def make_options(
    *,
    force: bool,
    verify: bool,
    strict: bool,
    keep_readable: bool,
    ocio: Path | None,
    memory: str | None,
    threads: int,
) -> BuildOptions:
    """Make the options of a build from what was typed. Raises SettingError for a size that is none."""
    from lightstack.jobs.options import BuildOptions, parse_memory

    return BuildOptions(
        force=force,
        verify=verify,
        strict=strict,
        keep_readable=keep_readable,
        ocio=ocio,
        memory_bytes=parse_memory(memory) if memory is not None else None,
        threads=threads,
    )


def run_job(
    command: str,
    job: Callable[[Progress], BuildResult],
    *,
    quiet: bool,
    as_json: bool,
    verbosity: int,
    strict: bool,
) -> None:
    """Run a job with a progress display and print what it made.

    Raises typer.Exit with 1 where ``strict`` and a take should be shot again.
    """
    from lightstack.cli.progress import TerminalProgress
    from lightstack.cli.results import print_result

    with TerminalProgress(quiet=quiet or (as_json and not verbosity), verbosity=verbosity) as progress:
        result = job(progress)
    failed = strict and any(verdict.grade == "reshoot" for verdict in result.verdicts)
    print_result(command, result, quiet=quiet, as_json=as_json, failed=failed)
    if failed:
        raise typer.Exit(1)
