"""``lightstack preview``."""

from __future__ import annotations

from lightstack.cli import common
from lightstack.cli.common import BuildRunning, ShotFile
from lightstack.cli.groups import spread_options


@spread_options
def preview(shot: ShotFile, running: BuildRunning) -> None:
    """Make only the preview and contact sheet again."""
    options = common.make_options(running)
    from lightstack.jobs.shot.preview import make_preview

    common.run_job("preview", lambda progress: make_preview(shot, options=options, progress=progress), running)
