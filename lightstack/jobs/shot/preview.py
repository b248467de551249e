"""`lightstack preview`: preview and contact sheet again, plates only where they are not current."""

from __future__ import annotations

from pathlib import Path

from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.takes.options import BuildOptions, BuildResult
from lightstack.records import Progress


def make_preview(shot_path: Path, *, options: BuildOptions, progress: Progress) -> BuildResult:
    """Render a shot's preview anew. Raises as `build_shot` does."""
    return build_shot(shot_path, options=options, progress=progress, redo="preview")
