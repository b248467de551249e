"""``lightstack build``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import (
    Force,
    Json,
    KeepReadable,
    Memory,
    Ocio,
    Quiet,
    Strict,
    Threads,
    Verbose,
    Verify,
)


def build(
    shot: Annotated[Path, typer.Argument(metavar="SHOT.toml", help="The shot file.")],
    force: Force = False,
    verify: Verify = False,
    keep_readable: KeepReadable = False,
    memory: Memory = None,
    ocio: Ocio = None,
    threads: Threads = 0,
    strict: Strict = False,
    quiet: Quiet = False,
    json: Json = False,
    verbose: Verbose = 0,
) -> None:
    """Build what a shot file asks for.

    Stages that have not changed since the last build are skipped."""
    options = common.make_options(
        force=force,
        verify=verify,
        strict=strict,
        keep_readable=keep_readable,
        ocio=ocio,
        memory=memory,
        threads=threads,
    )
    from lightstack.jobs.build import build_shot

    common.run_job(
        "build",
        lambda progress: build_shot(shot, options=options, progress=progress),
        quiet=quiet,
        as_json=json,
        verbosity=verbose,
        strict=strict,
    )
