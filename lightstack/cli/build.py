"""``lightstack build``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lightstack.cli import common
from lightstack.cli.common import BuildRunning, ShotFile
from lightstack.cli.groups import spread_options

if TYPE_CHECKING:
    from lightstack.jobs.takes.options import BuildResult
    from lightstack.records import Progress


@spread_options
def build(shot: ShotFile, running: BuildRunning) -> None:
    """Build what a shot file asks for.

    Stages that have not changed since the last build are skipped."""
    options = common.make_options(running)

    def job(progress: Progress) -> BuildResult:
        from lightstack.jobs.stage.standing import recall_shot

        known = recall_shot(shot, options)
        if known is not None:
            progress.say("nothing changed")
            return known
        from lightstack.jobs.shot.build import build_shot  # it takes long to load

        return build_shot(shot, options=options, progress=progress)

    common.run_job("build", job, running)
