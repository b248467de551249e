"""``lightstack review``."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import LookRunning, Running, ShotFile
from lightstack.cli.groups import spread_options

Port = Annotated[
    int | None, typer.Option("--port", metavar="N", min=1, max=65535, help="Port on this machine [a free one].")
]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Print the address, open nothing.")]


@spread_options
def review(shot: ShotFile, *, port: Port = None, no_browser: NoBrowser = False, how: LookRunning) -> None:
    """Look at a built shot in the browser, and change its lights by eye.

    The page is served on this machine alone, until Ctrl-C. What is kept is written into the shot file."""
    running = Running(**asdict(how))
    options = common.make_options(running)
    from lightstack.cli.progress import TerminalProgress
    from lightstack.cli.results import print_lines
    from lightstack.review.server import serve_review

    quiet = running.quiet or (running.json and not running.verbose)

    def say(address: str, notes: tuple[str, ...]) -> None:
        lines, answer = (f"review: {address}", *notes), {"address": address, "notes": notes}
        print_lines("review", lines, answer, quiet=running.quiet, as_json=running.json)

    with TerminalProgress(quiet=quiet, verbosity=running.verbose) as progress:
        serve_review(
            shot,
            port=port,
            browser=not no_browser,
            options=options,
            progress=progress,
            tell=say,
        )
