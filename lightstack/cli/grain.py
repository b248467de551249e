"""``lightstack grain measure`` and ``lightstack grain apply``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import Reading, TakeRunning
from lightstack.cli.groups import spread_options
from lightstack.cli.lists import read_ranges

if TYPE_CHECKING:
    from lightstack.jobs.grain.takes import GrainOptions

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
Seed = Annotated[
    int, typer.Option("--seed", metavar="N", min=0, help="Another seed, other grain [1].", show_default=False)
]
Amount = Annotated[
    float, typer.Option("--amount", metavar="SHARE", help="Strength, 0 to 2; 1 as measured [1].", show_default=False)
]
Like = Annotated[Path | None, typer.Option("--like", metavar="TAKE", help="Say whether the profile fits this take.")]


def _read_options(reading: Reading, how: TakeRunning, frames: str | None) -> GrainOptions:
    """Return how the job reads. Raises SettingError."""
    from lightstack.jobs.grain.takes import GrainOptions

    return GrainOptions(**common.gather_words(how, reading), frames=read_ranges(frames, option="--frames"))


@grain.command("measure")
@spread_options
def measure(take: Take, out: OutProfile, *, frames: MeasureFrames = None, reading: Reading, how: TakeRunning) -> None:
    """Measure a camera's grain in a take: strength by level, texture, likeness of the channels, life over time."""
    options = _read_options(reading, how, frames)
    from lightstack.jobs.grain.takes import measure_take

    common.run_job("grain measure", lambda progress: measure_take(take, out, options=options, progress=progress), how)


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
    reading: Reading,
    how: TakeRunning,
) -> None:
    """Lay a camera's grain over a still or frames that have none: new in every frame, the same for the same seed."""
    options = _read_options(reading, how, frames)
    from lightstack.jobs.grain.takes import apply_grain

    common.run_job(
        "grain apply",
        lambda progress: apply_grain(
            picture, profile, out, seed=seed, amount=amount, like=like, options=options, progress=progress
        ),
        how,
    )
