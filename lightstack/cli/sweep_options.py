"""The options of a sweep on the command line: the keys of ``[[sweep]]`` that can be typed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

import typer

from lightstack.cli.lists import read_frames, read_numbers, read_ranges

__all__ = ["SweepOptions"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepOptions:
    """How a sweep is read and its plate made, as typed; None is the default of the shot file's key."""

    keys: Annotated[
        str | None, typer.Option("--keys", metavar="FRAMES", help="Key frames by hand, e.g. 34,80,2:34.")
    ] = None
    exclude: Annotated[
        str | None, typer.Option("--exclude", metavar="FRAMES", help="Frames never to use, e.g. 1-20,57.")
    ] = None
    max_keys: Annotated[int | None, typer.Option("--max-keys", metavar="N", help="Most key frames [64].")] = None
    coverage: Annotated[
        float | None, typer.Option("--coverage", metavar="SHARE", help="Stop choosing at this share [0.995].")
    ] = None
    combine: Annotated[
        str | None, typer.Option("--combine", metavar="RULE", help="max, softmax, screen or sum [max].")
    ] = None
    by: Annotated[str | None, typer.Option("--by", metavar="HOW", help="brightest or channel [brightest].")] = None
    glints: Annotated[
        str | None, typer.Option("--glints", metavar="HOW", help="Reflections: keep, one or drop [keep].")
    ] = None
    even: Annotated[
        float | None,
        typer.Option("--even", metavar="SHARE", help="Bring the stills to one level, 0 to 1 [0]."),
    ] = None
    floor_sigma: Annotated[
        float | None, typer.Option("--floor-sigma", metavar="SIGMA", help="Roll weaker light to zero [0].")
    ] = None
    hold_exposure: Annotated[bool, typer.Option("--hold-exposure", help="Take out drift of exposure and white.")] = (
        False
    )
    model: Annotated[
        str | None,
        typer.Option("--model", metavar="MODEL", help="auto, none, translation, euclidean, affine, homography [auto]."),
    ] = None
    colour: Annotated[
        str | None, typer.Option("--colour", metavar="NAME", help="Encoding of the footage [its own tags].")
    ] = None
    response: Annotated[
        str | None, typer.Option("--response", metavar="FILE", help="What inspect measured, for --colour measured.")
    ] = None
    range_: Annotated[str | None, typer.Option("--range", metavar="RANGE", help="auto, full or limited [auto].")] = None
    matrix: Annotated[
        str | None, typer.Option("--matrix", metavar="NAME", help="auto, rgb, bt601, bt709 or bt2020 [auto].")
    ] = None
    rotate: Annotated[
        int | None, typer.Option("--rotate", metavar="DEGREES", help="Turn clockwise by 0, 90, 180 or 270.")
    ] = None
    stops: Annotated[
        float | None,
        typer.Option("--stops", metavar="STOPS", help="Exposure of the sweep against the empty take."),
    ] = None
    white: Annotated[
        str | None,
        typer.Option("--white", metavar="R,G,B", help="White of the sweep against the empty take."),
    ] = None
    separate: Annotated[bool, typer.Option("--separate", help="Also write each lamp still as a file.")] = False

    def read(self) -> dict[str, Any]:
        """Return the options by the names of their keys, lists read. Raises SettingError."""
        words = {name.rstrip("_"): getattr(self, name) for name in self.__dataclass_fields__}
        words["keys"] = read_frames(self.keys)
        words["exclude"] = read_ranges(self.exclude)
        words["white"] = read_numbers(self.white, option="--white")
        return words
