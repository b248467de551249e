"""``lightstack build``."""

from __future__ import annotations

from lightstack.cli import common
from lightstack.cli.common import BuildRunning, ShotFile
from lightstack.cli.groups import spread_options


@spread_options
def build(shot: ShotFile, running: BuildRunning) -> None:
    """Build what a shot file asks for.

    Stages that have not changed since the last build are skipped."""
    options = common.make_options(running)
    from lightstack.jobs.shot.build import build_shot

    common.run_job("build", lambda progress: build_shot(shot, options=options, progress=progress), running)
