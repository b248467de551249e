"""``lightstack clean``."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Running
from lightstack.cli.groups import spread_options
from lightstack.cli.lists import read_ranges

Takes = Annotated[list[Path], typer.Argument(metavar="TAKE", help="Movies or stills of one framing; they are joined.")]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="FILE.exr", help="The clean plate; others lie beside it.")]
Method = Annotated[
    str, typer.Option("--method", metavar="NAME", help="median, mean, sigma_clip or longest_rest [median].")
]
Frames = Annotated[str | None, typer.Option("--frames", metavar="RANGES", help="Frames to use, e.g. 1-20,57 [chosen].")]
MostFrames = Annotated[int, typer.Option("--most-frames", metavar="N", min=1, help="Most frames to choose [31].")]
Fill = Annotated[bool, typer.Option("--fill", help="Paint small holes over from what lies round them; marked.")]
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
class CleanRunning:
    """How a clean plate is made, as typed: what `Running` holds, less what only builds know."""

    keep_readable: common.KeepReadable = False
    memory: common.Memory = None
    ocio: common.Ocio = None
    threads: common.Threads = 0
    strict: common.Strict = False
    quiet: common.Quiet = False
    json: common.Json = False
    verbose: common.Verbose = 0


@spread_options
def clean(
    takes: Takes,
    out: Out,
    *,
    method: Method = "median",
    frames: Frames = None,
    most_frames: MostFrames = 31,
    fill: Fill = False,
    colour: Colour = "auto",
    response: Response = None,
    range_: Range = "auto",
    matrix: Matrix = "auto",
    how: CleanRunning,
) -> None:
    """Empty the picture of people: one clean plate from takes of the same framing."""
    ranges = read_ranges(frames, option="--frames")
    running = Running(**dataclasses.asdict(how))
    shared = common.make_options(running)
    given = {field.name: getattr(shared, field.name) for field in dataclasses.fields(shared)}
    from lightstack.jobs.clean_takes import CleanOptions, clean_takes

    options = CleanOptions(
        **given,
        method=method,
        frames=ranges,
        most_frames=most_frames,
        fill=fill,
        colour=colour,
        response=response,
        range=range_,
        matrix=matrix,
    )
    common.run_job("clean", lambda progress: clean_takes(takes, out, options=options, progress=progress), running)
