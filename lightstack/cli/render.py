"""``lightstack render``."""

from __future__ import annotations

from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import BuildRunning, ShotFile
from lightstack.cli.groups import spread_options


@spread_options
def render(
    shot: ShotFile,
    running: BuildRunning,
    frames: Annotated[
        str | None,
        typer.Option("--frames", metavar="FIRST-LAST", help="Only these shot frames, inclusive; nothing else is made."),
    ] = None,
) -> None:
    """Write the shot's finished frames and the elements for a composite.

    Frames that are written already are left alone, so a run that broke off goes on where it was."""
    options = common.make_options(running)
    from lightstack.jobs.shot.render import render_shot

    common.run_job(
        "render",
        lambda progress: render_shot(shot, frames=frames, options=options, progress=progress),
        running,
    )
