"""``lightstack batch``."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import BuildRunning
from lightstack.cli.groups import spread_options

if TYPE_CHECKING:
    from lightstack.jobs.batch.batch import BatchResult

Folder = Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder that holds the shots, at any depth.")]
Jobs = Annotated[
    int, typer.Option("--jobs", metavar="N", min=1, max=256, help="Shots to build at a time [1].", show_default=False)
]


@spread_options
def batch(folder: Folder, jobs: Jobs = 1, *, running: BuildRunning) -> None:
    """Build every shot below a folder; a shot that fails is told, and the others go on.

    FOLDER/batch.html shows all of them. Exits with 1 if any was not built."""
    options = common.make_options(running)
    from lightstack.jobs.batch.batch import BatchOptions, build_batch

    given = {field.name: getattr(options, field.name) for field in dataclasses.fields(options)}
    with common.open_progress(running) as progress:
        result = build_batch(folder, options=BatchOptions(**given, jobs=jobs), progress=progress)
    failed = fails(result, strict=running.strict)
    show(result, running, failed=failed)
    if failed:
        raise typer.Exit(1)


def fails(result: BatchResult, *, strict: bool) -> bool:
    """Tell whether any shot failed; under ``--strict`` also where a take should be shot again, or frames flash."""
    poor = any(shot.flashes or any(one.grade == "reshoot" for one in shot.verdicts) for shot in result.shots)
    return any(shot.state != "built" for shot in result.shots) or (strict and poor)


def show(result: BatchResult, running: BuildRunning, *, failed: bool) -> None:
    """Print what became of the shots."""
    import json

    from lightstack.cli.results import to_plain

    if running.json:
        answer = {"ok": not failed, "exit": int(failed), "command": "batch", **to_plain(result)}
        print(json.dumps(answer, ensure_ascii=False, allow_nan=False), flush=True)
        return
    if running.quiet:
        for shot in result.shots:
            if shot.state != "built":
                typer.echo(f"lightstack: {shot.shot}: {shot.line}", err=True)
        return
    print(result.summary)
    print(f"written: {result.page}")
