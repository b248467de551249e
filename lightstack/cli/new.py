"""``lightstack new``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli.common import Json, Quiet, Verbose


def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder that holds the shot's footage.")],
    quiet: Quiet = False,
    json: Json = False,
    verbose: Verbose = 0,
) -> None:
    """Start a shot file from a folder of footage.

    Looks at every take, guesses which is the hero, the empty take and the sweep, and says why."""
    from lightstack.cli.progress import TerminalProgress
    from lightstack.cli.results import print_lines
    from lightstack.jobs.new import start_shot

    with TerminalProgress(quiet=quiet or (json and not verbose), verbosity=verbose) as progress:
        result = start_shot(folder, progress=progress)
    answer = {"shot_path": str(result.shot_path), "lines": list(result.lines)}
    closing = f"written: {result.shot_path}; look through it, then: lightstack build {result.shot_path}"
    print_lines("new", (*result.lines, closing), answer, quiet=quiet, as_json=json)
