"""``lightstack grain measure`` and ``lightstack grain apply``."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Running
from lightstack.cli.groups import spread_options
from lightstack.cli.lists import read_ranges

if TYPE_CHECKING:
    from lightstack.jobs.grain_takes import GrainOptions

__all__ = ["grain"]

grain = typer.Typer(
    name="grain",
    help="A camera's grain: measured in a take, laid over pictures that have none.",
    rich_markup_mode=None,
)

Take = Annotated[Path, typer.Argument(metavar="TAKE", help="A movie or stills in which something holds still.")]
Picture = Annotated[Path, typer.Argument(metavar="PICTURE", help="A still, stills or a movie without grain.")]
OutProfile = Annotated[
    Path, typer.Option("--out", "-o", metavar="FILE.json", help="The profile; a plot of it lies beside it.")
]
OutFrames = Annotated[Path, typer.Option("--out", "-o", metavar="NAME.####.exr", help="The grained frames.")]
Profile = Annotated[Path, typer.Option("--profile", metavar="FILE.json", help="The grain profile.")]
MeasureFrames = Annotated[
    str | None, typer.Option("--frames", metavar="RANGE", help="Frames to measure in, e.g. 1-48 [all].")
]
ApplyFrames = Annotated[
    str | None,
    typer.Option("--frames", metavar="RANGES", help="Frames to make, e.g. 1-48; a still is repeated [all]."),
]
Seed = Annotated[int, typer.Option("--seed", metavar="N", min=0, help="Another seed, other grain [1].")]
Amount = Annotated[float, typer.Option("--amount", metavar="SHARE", help="Strength, 0 to 2; 1 as measured [1].")]
Like = Annotated[
    Path | None, typer.Option("--like", metavar="TAKE", help="Say whether the profile fits this take.")
]
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
class GrainRunning:
    """How a take is read and how results are shown, as typed."""

    colour: Colour = "auto"
    response: Response = None
    range: Range = "auto"
    matrix: Matrix = "auto"
    keep_readable: common.KeepReadable = False
    memory: common.Memory = None
    ocio: common.Ocio = None
    threads: common.Threads = 0
    quiet: common.Quiet = False
    json: common.Json = False
    verbose: common.Verbose = 0


def _split(how: GrainRunning, frames: str | None) -> tuple[Running, GrainOptions]:
    """Return how the job is shown and how it reads. Raises SettingError."""
    from lightstack.jobs.grain_takes import GrainOptions

    words = dataclasses.asdict(how)
    reading = {name: words.pop(name) for name in ("colour", "response", "range", "matrix")}
    running = Running(**words)
    shared = common.make_options(running)
    given = {field.name: getattr(shared, field.name) for field in dataclasses.fields(shared)}
    return running, GrainOptions(**given, **reading, frames=read_ranges(frames, option="--frames"))


@grain.command("measure")
@spread_options
def measure(take: Take, out: OutProfile, *, frames: MeasureFrames = None, how: GrainRunning) -> None:
    """Measure a camera's grain in a take: strength by level, texture, likeness of the channels, life over time."""
    running, options = _split(how, frames)
    from lightstack.jobs.grain_takes import measure_take

    common.run_job(
        "grain measure", lambda progress: measure_take(take, out, options=options, progress=progress), running
    )


@grain.command("apply")
@spread_options
def apply(
    picture: Picture,
    profile: Profile,
    out: OutFrames,
    *,
    frames: ApplyFrames = None,
    seed: Seed = 1,
    amount: Amount = 1.0,
    like: Like = None,
    how: GrainRunning,
) -> None:
    """Lay a camera's grain over a still or frames that have none: new in every frame, the same for the same seed."""
    running, options = _split(how, frames)
    from lightstack.jobs.grain_takes import apply_grain

    common.run_job(
        "grain apply",
        lambda progress: apply_grain(
            picture, profile, out, seed=seed, amount=amount, like=like, options=options, progress=progress
        ),
        running,
    )
