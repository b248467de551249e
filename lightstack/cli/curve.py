"""``lightstack curve``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import LookRunning, ShotFile
from lightstack.cli.groups import spread_options

if TYPE_CHECKING:
    from lightstack.jobs.mix.curve import CurveResult, LightCurve

Light = Annotated[str | None, typer.Option("--light", metavar="NAME", help="Only this light's mix [all].")]
Out = Annotated[
    Path | None, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for the results [the shot's own].")
]


@spread_options
def curve(shot: ShotFile, *, light: Light = None, out: Out = None, how: LookRunning) -> None:
    """Write each light's mix as a table and a plot, without building; say where it peaks and how it changes."""
    options = common.make_options(how)
    from lightstack.cli.results import print_lines
    from lightstack.jobs.mix.curve import draw_curves

    with common.open_progress(how) as progress:
        result = draw_curves(shot, light=light, out=out, options=options, progress=progress)
    print_lines("curve", tuple(list_lines(result)), answer(result), quiet=how.quiet, as_json=how.json)


def answer(result: CurveResult) -> dict[str, object]:
    """Return what ``--json`` prints."""
    return {
        "out": result.out,
        "files": result.files,
        "lights": result.lights,
        "cautions": result.cautions,
        "warnings": result.warnings,
    }


def list_lines(result: CurveResult) -> list[str]:
    """List what people want to read of the mixes."""
    lines = [f"warning: {line}" for line in result.warnings]
    for light in result.lights:
        lines += describe_light(light)
    lines += [f"caution: {line}" for line in result.cautions]
    return lines + [f"written: {result.out / name}" for name in result.files]


def describe_light(light: LightCurve) -> list[str]:
    """Write one light's figures."""
    facts, (first, last) = light.facts, light.frames
    lines = [f"{light.name}: shot frames {first}-{last}"]
    if facts.peak == 0:
        return [*lines, "  never on"]
    lines.append(f"  peak             gain {facts.peak:.4g} at frame {facts.peak_frame}")
    if facts.steepest_gain_frame is None:
        lines.append("  steepest change  none: it holds still")
    else:
        at = _between(facts.steepest_gain_frame)
        lines.append(f"  steepest change  {facts.steepest_gain:+.4g} gain a frame, {at}")
    if facts.steepest_stops is not None and facts.steepest_stops_frame is not None:
        at = _between(facts.steepest_stops_frame)
        lines.append(f"                   {facts.steepest_stops:+.3g} stops a frame while on, {at}")
    lines.append(f"  total            {facts.total:.5g} gain x frames")
    often = f"{facts.swings:.3g} times a second in the mean, {facts.most_swings:.3g} in the busiest second"
    lines.append(f"  rises and falls  {often}")
    lines += [f"  follows {name}: level {full:.4g} counts as 1" for name, full in light.full.items()]
    return lines


def _between(frame: int) -> str:
    return f"from frame {frame} to {frame + 1}"
