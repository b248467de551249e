"""``lightstack plate``."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import (
    Force,
    Json,
    KeepReadable,
    Memory,
    Ocio,
    Quiet,
    Strict,
    Threads,
    Verbose,
    Verify,
)
from lightstack.cli.lists import read_frames, read_numbers, read_ranges


def plate(
    sweeps: Annotated[
        list[Path], typer.Argument(metavar="SWEEP", help="Movies or stills of one sweep, in order.")
    ],
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for the results.")],
    empty: Annotated[
        Path | None, typer.Option("--empty", metavar="EMPTY", help="Same framing, nobody, lamps out.")
    ] = None,
    keys: Annotated[
        str | None, typer.Option("--keys", metavar="FRAMES", help="Key frames by hand, e.g. 34,80,2:34.")
    ] = None,
    exclude: Annotated[
        str | None, typer.Option("--exclude", metavar="FRAMES", help="Frames never to use, e.g. 1-20,57.")
    ] = None,
    max_keys: Annotated[
        int | None, typer.Option("--max-keys", metavar="N", help="Most key frames [32].")
    ] = None,
    coverage: Annotated[
        float | None, typer.Option("--coverage", metavar="SHARE", help="Stop choosing at this share [0.995].")
    ] = None,
    combine: Annotated[
        str | None, typer.Option("--combine", metavar="RULE", help="max, softmax, screen or sum [max].")
    ] = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="HOW", help="brightest or channel [brightest].")
    ] = None,
    glints: Annotated[
        str | None, typer.Option("--glints", metavar="HOW", help="Reflections: keep, one or drop [keep].")
    ] = None,
    even: Annotated[
        float | None,
        typer.Option("--even", metavar="SHARE", help="Bring the stills to one level, 0 to 1 [0]."),
    ] = None,
    floor_sigma: Annotated[
        float | None, typer.Option("--floor-sigma", metavar="SIGMA", help="Roll weaker light to zero [0].")
    ] = None,
    hold_exposure: Annotated[
        bool, typer.Option("--hold-exposure", help="Take out drift of exposure and white.")
    ] = False,
    model: Annotated[
        str | None,
        typer.Option(
            "--model", metavar="MODEL", help="auto, none, translation, euclidean, affine, homography [auto]."
        ),
    ] = None,
    colour: Annotated[
        str | None, typer.Option("--colour", metavar="NAME", help="Encoding of the footage [its own tags].")
    ] = None,
    range_: Annotated[
        str | None, typer.Option("--range", metavar="RANGE", help="auto, full or limited [auto].")
    ] = None,
    matrix: Annotated[
        str | None, typer.Option("--matrix", metavar="NAME", help="auto, rgb, bt601, bt709 or bt2020 [auto].")
    ] = None,
    rotate: Annotated[
        int | None, typer.Option("--rotate", metavar="DEGREES", help="Turn clockwise by 0, 90, 180 or 270.")
    ] = None,
    stops: Annotated[
        float | None,
        typer.Option("--stops", metavar="STOPS", help="Exposure of the sweep against the empty take."),
    ] = None,
    white: Annotated[
        str | None,
        typer.Option("--white", metavar="R,G,B", help="White of the sweep against the empty take."),
    ] = None,
    separate: Annotated[
        bool, typer.Option("--separate", help="Also write each lamp still as a file.")
    ] = False,
    force: Force = False,
    verify: Verify = False,
    keep_readable: KeepReadable = False,
    memory: Memory = None,
    ocio: Ocio = None,
    threads: Threads = 0,
    strict: Strict = False,
    quiet: Quiet = False,
    json: Json = False,
    verbose: Verbose = 0,
) -> None:
    """Make a plate of a sweep alone, without a shot file."""
    from lightstack.jobs.options import PlateOptions, make_sweep_settings

    shared = common.make_options(
        force=force,
        verify=verify,
        strict=strict,
        keep_readable=keep_readable,
        ocio=ocio,
        memory=memory,
        threads=threads,
    )
    options = PlateOptions(
        **{field.name: getattr(shared, field.name) for field in dataclasses.fields(shared)},
        keys=read_frames(keys),
        exclude=read_ranges(exclude),
        coverage=coverage,
        max_keys=max_keys,
        combine=combine,
        by=by,
        colour=colour,
        range=range_,
        matrix=matrix,
        rotate=rotate,
        glints=glints,
        even=even,
        floor_sigma=floor_sigma,
        stops=stops,
        white=read_numbers(white, option="--white"),
        model=model,
        hold_exposure=hold_exposure,
        separate=separate,
    )
    make_sweep_settings(sweeps, options)  # a wrong option is told before anything heavy is loaded
    from lightstack.jobs.plate import make_plate

    common.run_job(
        "plate",
        lambda progress: make_plate(sweeps, empty=empty, out=out, options=options, progress=progress),
        quiet=quiet,
        as_json=json,
        verbosity=verbose,
        strict=strict,
    )
