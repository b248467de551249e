"""``lightstack review``."""

from __future__ import annotations

from typing import Annotated

import typer

from lightstack.cli import common
from lightstack.cli.common import LookRunning, ShotFile
from lightstack.cli.groups import spread_options

Port = Annotated[
    int | None, typer.Option("--port", metavar="N", min=1, max=65535, help="Port on this machine [a free one].")
]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Print the address, open nothing.")]


@spread_options
def review(shot: ShotFile, *, port: Port = None, no_browser: NoBrowser = False, how: LookRunning) -> None:
    """Look at a built shot in the browser, and change its lights by eye.

    The page is served on this machine alone, until Ctrl-C. What is kept is written into the shot file."""
    options = common.make_options(how)
    from lightstack.cli.results import print_lines
    from lightstack.review.server import serve_review

    def say(address: str, notes: tuple[str, ...]) -> None:
        lines, answer = (f"review: {address}", *notes), {"address": address, "notes": notes}
        print_lines("review", lines, answer, quiet=how.quiet, as_json=how.json)

    with common.open_progress(how) as progress:
        serve_review(
            shot,
            port=port,
            browser=not no_browser,
            options=options,
            progress=progress,
            tell=say,
        )
