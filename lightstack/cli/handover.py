"""``lightstack handover``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Json, KeepReadable, Ocio, Quiet, ShotFile, TakeRunning, Verbose


def handover(
    shot: ShotFile,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new or an empty folder.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put it in the place of a former hand-over in that folder.")
    ] = False,
    keep_readable: KeepReadable = False,
    ocio: Ocio = None,
    quiet: Quiet = False,
    json: Json = False,
    verbose: Verbose = 0,
) -> None:
    """Hand a finished build over: plates, stills, elements, mixes, lights as USD, a timeline, checksums.

    It is checked, and written whole or not at all; nothing in it points outside of it."""
    running = TakeRunning(keep_readable=keep_readable, ocio=ocio, quiet=quiet, json=json, verbose=verbose)
    options = common.make_options(running)
    from lightstack.jobs.handover.handover import hand_over

    common.run_job(
        "handover",
        lambda progress: hand_over(shot, folder, options=options, replace=replace, progress=progress),
        running,
    )
