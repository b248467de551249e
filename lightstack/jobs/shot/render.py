"""`lightstack render`: the shot's finished frames, and what they need; frames that are written are left alone."""

from __future__ import annotations

import re
from pathlib import Path

from lightstack.errors import SettingError
from lightstack.jobs.shot.build import build_shot
from lightstack.jobs.shot.frames_stage import RenderWish
from lightstack.jobs.takes.options import BuildOptions, BuildResult
from lightstack.records import Progress

__all__ = ["parse_frames", "render_shot"]


def render_shot(shot_path: Path, *, frames: str | None, options: BuildOptions, progress: Progress) -> BuildResult:
    """Render a shot's frames; ``frames`` as in `parse_frames`. Raises as `build_shot` does."""
    wish = RenderWish(None if frames is None else parse_frames(frames))
    return build_shot(shot_path, options=options, progress=progress, render=wish)


def parse_frames(text: str) -> tuple[int, int]:
    """Read shot frames, ``1010-1030`` (inclusive) or ``1010``. Raises SettingError."""
    match = re.fullmatch(r"\s*([0-9]{1,8})\s*(?:-\s*([0-9]{1,8})\s*)?", text)
    if match is None:
        raise SettingError(f"--frames {text!r}: expected a frame or a range such as 1010-1030")
    first = int(match[1])
    last = int(match[2] or first)
    if first > last:
        raise SettingError(f"--frames {text} runs backwards; write the first frame first")
    return first, last
