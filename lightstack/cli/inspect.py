"""``lightstack inspect``."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli.common import Cluster, KeepReadable, Ocio, Showing, Threads, open_progress
from lightstack.cli.groups import spread_options

if TYPE_CHECKING:
    from lightstack.jobs.inspect.options import InspectOptions

Takes = Annotated[list[Path], typer.Argument(metavar="TAKE", help="Movies or stills, or one shot file.")]
Out = Annotated[
    Path | None, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for the page and the pictures.")
]
Quick = Annotated[bool, typer.Option("--quick", help="Look at evenly spaced frames only; at most some seconds.")]
Mains = Annotated[
    int | None, typer.Option("--mains", metavar="HZ", help="Mains frequency of the set, 50 or 60 [both].")
]
Colour = Annotated[str | None, typer.Option("--colour", metavar="NAME", help="Encoding of the footage [its own tags].")]
Response = Annotated[
    str | None, typer.Option("--response", metavar="FILE", help="What inspect measured, for --colour measured.")
]
Range = Annotated[str | None, typer.Option("--range", metavar="RANGE", help="auto, full or limited [auto].")]
Matrix = Annotated[
    str | None, typer.Option("--matrix", metavar="NAME", help="auto, rgb, bt601, bt709 or bt2020 [auto].")
]
Rotate = Annotated[int | None, typer.Option("--rotate", metavar="DEGREES", help="Turn clockwise by 0, 90, 180 or 270.")]
Strict = Annotated[bool, typer.Option("--strict", help="Exit with 1 in place of 3 if a take should be shot again.")]


@dataclass(frozen=True, kw_only=True)
class Looking:
    """How takes are looked at, as typed."""

    quick: Quick = False
    mains: Mains = None
    colour: Colour = None
    response: Response = None
    range_: Range = None
    matrix: Matrix = None
    rotate: Rotate = None
    keep_readable: KeepReadable = False
    ocio: Ocio = None
    cluster: Cluster = None
    threads: Threads = 0

    def read(self) -> InspectOptions:
        """Return the options of the job. Raises typer.BadParameter for what is no mains frequency, SettingError."""
        from lightstack.jobs.inspect.options import InspectOptions
        from lightstack.jobs.takes.options import check_cluster

        if self.mains not in (None, 50, 60):
            raise typer.BadParameter(f"--mains {self.mains}: is not a mains frequency; give 50 or 60")
        words = {field.name.rstrip("_"): getattr(self, field.name) for field in fields(self)}
        words["mains"] = (50.0, 60.0) if self.mains is None else (float(self.mains),)
        options = InspectOptions(**words)
        check_cluster(options)
        return options


@spread_options
def inspect(takes: Takes, out: Out = None, *, looking: Looking, strict: Strict = False, how: Showing) -> None:
    """Say whether takes are good before the set is struck: a verdict for each check, and what to do about it."""
    from lightstack.cli.findings import print_inspection

    options = looking.read()
    from lightstack.jobs.inspect.inspect import inspect_takes

    with open_progress(how) as progress:
        found = inspect_takes(takes, out=out, options=options, progress=progress)
    code = print_inspection(found, quiet=how.quiet, as_json=how.json, strict=strict)
    if code:
        raise typer.Exit(code)
