"""``lightstack plate``."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import BuildRunning
from lightstack.cli.groups import spread_options
from lightstack.cli.sweep_options import SweepOptions

Sweeps = Annotated[list[Path], typer.Argument(metavar="SWEEP", help="Movies or stills of one sweep, in order.")]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for the results.")]
Empty = Annotated[Path | None, typer.Option("--empty", metavar="EMPTY", help="Same framing, nobody, lamps out.")]


@spread_options
def plate(sweeps: Sweeps, out: Out, *, empty: Empty = None, sweep: SweepOptions, running: BuildRunning) -> None:
    """Make a plate of a sweep alone, without a shot file."""
    from lightstack.jobs.takes.options import PlateOptions, make_sweep_settings

    shared = common.make_options(running)
    given = {field.name: getattr(shared, field.name) for field in dataclasses.fields(shared)}
    options = PlateOptions(**given, **sweep.read())
    make_sweep_settings(sweeps, options)  # a wrong option is told before anything heavy is loaded
    from lightstack.jobs.stage.plate import make_plate

    common.run_job(
        "plate",
        lambda progress: make_plate(sweeps, empty=empty, out=out, options=options, progress=progress),
        running,
    )
