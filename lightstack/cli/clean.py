"""``lightstack clean``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Reading, TakeRunning
from lightstack.cli.groups import spread_options
from lightstack.cli.lists import read_ranges

Takes = Annotated[list[Path], typer.Argument(metavar="TAKE", help="Movies or stills of one framing; they are joined.")]
Out = Annotated[Path, typer.Option("--out", "-o", metavar="FILE.exr", help="The clean plate; others lie beside it.")]
Method = Annotated[
    str,
    typer.Option(
        "--method", metavar="NAME", help="median, mean, sigma_clip or longest_rest [median].", show_default=False
    ),
]
Frames = Annotated[str | None, typer.Option("--frames", metavar="RANGES", help="Frames to use, e.g. 1-20,57 [chosen].")]
MostFrames = Annotated[
    int, typer.Option("--most-frames", metavar="N", min=1, help="Most frames to choose [31].", show_default=False)
]
Fill = Annotated[bool, typer.Option("--fill", help="Paint small holes over from what lies round them; marked.")]


@dataclass(frozen=True, kw_only=True)
class CleanRunning(TakeRunning):
    """How a clean plate is made and shown, as typed."""

    strict: common.Strict = False
    cluster: common.Cluster = None


@spread_options
def clean(
    takes: Takes,
    out: Out,
    *,
    method: Method = "median",
    frames: Frames = None,
    most_frames: MostFrames = 31,
    fill: Fill = False,
    reading: Reading,
    how: CleanRunning,
) -> None:
    """Empty the picture of people: one clean plate from takes of the same framing."""
    ranges = read_ranges(frames, option="--frames")
    from lightstack.jobs.clean.takes import CleanOptions, clean_takes

    options = CleanOptions(
        **common.gather_words(how, reading),
        method=method,
        frames=ranges,
        most_frames=most_frames,
        fill=fill,
    )
    common.run_job("clean", lambda progress: clean_takes(takes, out, options=options, progress=progress), how)
