"""``lightstack flash``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lightstack.cli.common import Reading, TakeRunning, gather_words, open_progress
from lightstack.cli.groups import spread_options

if TYPE_CHECKING:
    from lightstack.jobs.flash.flash import FlashResult

__all__ = ["FLASHES", "flash"]

FLASHES = 3  # exit code: a rule is broken

Subject = Annotated[Path, typer.Argument(metavar="TAKE", help="A movie, numbered stills or a shot file.")]
Out = Annotated[Path | None, typer.Option("--out", "-o", metavar="FOLDER", help="Folder for table, plot and picture.")]
Frames = Annotated[
    str | None, typer.Option("--frames", metavar="FIRST-LAST", help="Only these frames of a movie, inclusive [all].")
]
Rate = Annotated[
    str | None, typer.Option("--rate", metavar="RATE", help="Frames a second, 25 or 24000/1001 [the movie's own].")
]
Peak = Annotated[
    float | None, typer.Option("--peak", metavar="CD", help="White of the screen for BT.1702 in cd/m2 [200].")
]


@spread_options
def flash(
    subject: Subject,
    out: Out = None,
    frames: Frames = None,
    rate: Rate = None,
    peak: Peak = None,
    *,
    reading: Reading,
    how: TakeRunning,
) -> None:
    """Check a movie or a shot for flashing light by WCAG 2.2 and ITU-R BT.1702.

    The exit code is 3 where a rule is broken. It is an aid, not a certified broadcast test."""
    from lightstack.jobs.flash.flash import FlashOptions, check_flash

    options = FlashOptions(**gather_words(how, reading), frames=frames, rate=rate, peak=peak)
    with open_progress(how) as progress:
        found = check_flash(subject, out=out, options=options, progress=progress)
    code = FLASHES if found.report.fails else 0
    if how.json:
        print(json.dumps(describe(found, code), ensure_ascii=False, allow_nan=False), flush=True)
    elif not how.quiet:
        for line in list_lines(found):
            print(line)
    if code:
        raise typer.Exit(code)


def list_lines(found: FlashResult) -> list[str]:
    """List what people want to read after a check."""
    from lightstack.jobs.flash.say import say_result

    return say_result(found)


def describe(found: FlashResult, code: int) -> dict[str, Any]:
    """Return a check as plain values for JSON."""
    from lightstack.cli.results import to_plain
    from lightstack.jobs.flash.say import describe_result

    return {"ok": code == 0, "exit": code, "command": "flash", **to_plain(describe_result(found))}
