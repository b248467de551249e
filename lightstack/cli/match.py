"""``lightstack match``."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import LookRunning, ShotFile
from lightstack.cli.groups import spread_options

Target = Annotated[
    Path,
    typer.Option("--target", metavar="PICTURE", help="The room as it should look lit, painted or rendered."),
]
Light = Annotated[str | None, typer.Option("--light", metavar="NAME", help="Light whose stills are used [the first].")]
Frame = Annotated[
    int | None,
    typer.Option("--frame", metavar="N", help="Hero frame that was painted over [the room without the lamp]."),
]
Regions = Annotated[
    Path | None,
    typer.Option("--regions", metavar="PICTURE", help="How much each place counts: white fully, black not at all."),
]
Sparse = Annotated[
    float,
    typer.Option("--sparse", metavar="SHARE", help="0 all stills that help, 1 as few as do [0.2].", show_default=False),
]
Colour = Annotated[
    str, typer.Option("--colour", metavar="NAME", help="Encoding of the target [its own tags].", show_default=False)
]


@spread_options
def match(
    shot: ShotFile,
    *,
    target: Target,
    light: Light = None,
    frame: Frame = None,
    regions: Regions = None,
    sparse: Sparse = 0.2,
    colour: Colour = "auto",
    how: LookRunning,
) -> None:
    """Find which lamp stills, and how much of each, come nearest to a picture of the room as it should look."""
    options = common.make_options(how)
    from lightstack.cli.results import print_lines
    from lightstack.jobs.light.match import MatchRequest, match_shot

    request = MatchRequest(target=target, light=light, frame=frame, regions=regions, sparse=sparse, colour=colour)
    with common.open_progress(how) as progress:
        result = match_shot(shot, request, options=options, progress=progress)
    lines = (*(f"warning: {line}" for line in result.warnings), *result.lines)
    print_lines("match", lines, asdict(result), quiet=how.quiet, as_json=how.json)
