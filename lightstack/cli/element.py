"""``lightstack element``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Reading, TakeRunning
from lightstack.cli.groups import spread_options
from lightstack.cli.lists import read_corners, read_ranges, read_share

Takes = Annotated[list[Path], typer.Argument(metavar="TAKE", help="The tries, each a movie or stills.")]
Empty = Annotated[Path, typer.Option("--empty", metavar="TAKE", help="The same framing with nothing in it.")]
Out = Annotated[
    Path, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for the frames, the table, the sheet.")
]
Frames = Annotated[
    str | None,
    typer.Option(
        "--frames", metavar="RANGE", help="Frames of every try to look at, e.g. 12-40 [all].", show_default=False
    ),
]
Garbage = Annotated[
    list[str] | None,
    typer.Option("--garbage", metavar='"X,Y ..."', help="Corners of an area where nothing counts; repeatable."),
]
EndsInside = Annotated[
    str | None,
    typer.Option("--ends-inside", metavar='"X,Y ..."', help="Corners of where the thing should end [anywhere]."),
]
Sharp = Annotated[
    float, typer.Option("--sharp", metavar="WEIGHT", min=0, help="How much sharp edges count [1].", show_default=False)
]
Free = Annotated[
    float,
    typer.Option(
        "--free", metavar="WEIGHT", min=0, help="How much frames without a hand in shot count [1].", show_default=False
    ),
]
Pick = Annotated[
    int | None, typer.Option("--pick", metavar="N", min=1, help="Pull this try, whatever its rank [the best].")
]
At = Annotated[
    int | None,
    typer.Option("--at", metavar="FRAME", min=0, help="Shot frame of the first frame pulled [source frames]."),
]
NoShadow = Annotated[bool, typer.Option("--no-shadow", help="Do not write the shadow.")]


@spread_options
def element(
    takes: Takes,
    empty: Empty,
    out: Out,
    *,
    frames: Frames = None,
    garbage: Garbage = None,
    ends_inside: EndsInside = None,
    sharp: Sharp = 1.0,
    free: Free = 1.0,
    pick: Pick = None,
    at: At = None,
    no_shadow: NoShadow = False,
    reading: Reading,
    how: TakeRunning,
) -> None:
    """Pull a tossed or falling thing out of the best of several tries: matte, own light, and its shadow apart."""
    from lightstack.jobs.element.takes import ElementOptions, pull_element

    options = ElementOptions(
        **common.gather_words(how, reading),
        frames=read_ranges(frames, option="--frames"),
        garbage=tuple(read_corners(one, option="--garbage") for one in garbage or ()),
        ends_inside=() if ends_inside is None else read_corners(ends_inside, option="--ends-inside"),
        sharp=read_share(sharp, option="--sharp", high=1000),
        free=read_share(free, option="--free", high=1000),
        pick=pick,
        at=at,
        shadow=not no_shadow,
    )
    common.run_job("element", lambda progress: pull_element(takes, empty, out, options=options, progress=progress), how)
