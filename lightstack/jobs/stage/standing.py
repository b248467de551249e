"""What a shot is made from, and whether anything of it changed since it was built; quick, without anything heavy."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from lightstack import __version__
from lightstack.errors import LightstackError
from lightstack.files.folder import MARK, SCRATCH, OutFolder, read_json
from lightstack.files.kept.identity import StageBook
from lightstack.files.read.colour import name_config
from lightstack.files.shot.schema import ShotSettings, TakeSettings
from lightstack.files.shot.shotfile import read_shot
from lightstack.jobs.stage.named_files import (
    list_figure_files,
    list_follow_files,
    list_hand_files,
    list_light_files,
    list_patch_files,
)
from lightstack.jobs.takes.options import BuildOptions, BuildResult
from lightstack.records import Progress, Verdict

__all__ = [
    "RESULT",
    "SCHEMA",
    "describe_reading",
    "identify_take",
    "kept_result",
    "recall_result",
    "recall_shot",
    "shot_inputs",
]

SCHEMA = 5  # raised whenever a stage's result changes meaning
RESULT = "result.json"  # in the scratch folder


def shot_inputs(book: StageBook, settings: ShotSettings, options: BuildOptions) -> dict[str, Any]:
    """Return everything that the whole build depends on."""
    tables = [settings.locate(light.mix.table) for light in settings.light if light.mix.table is not None]
    return {
        "schema": SCHEMA,
        "version": __version__,
        "settings": settings.model_dump(mode="json", by_alias=True, exclude={"camera"}),  # only a hand-over asks for it
        "takes": [identify_take(book, take, settings.take_paths(take)) for take in settings.list_takes()],
        "mixes": book.identify([*tables, *list_follow_files(settings)]),
        "patches": book.identify(list_patch_files(settings)),
        "hands": book.identify([*list_hand_files(settings), *list_figure_files(settings)]),
        "lights": book.identify(list_light_files(settings)),
        "reading": describe_reading(options),
    }


def identify_take(book: StageBook, take: TakeSettings, paths: Sequence[Path]) -> list[str]:
    """Return the identities of a take's files and of the response that it is read by."""
    return book.identify([*paths, *([] if take.response_path is None else [take.response_path])])


def describe_reading(options: BuildOptions) -> dict[str, Any]:
    """Return those options of a build that change what is read from the same files."""
    return {"colour": name_config(options.ocio), "keep_readable": options.keep_readable}


def recall_shot(shot_path: Path, options: BuildOptions) -> BuildResult | None:
    """Return what a build of a shot would say at once because nothing changed; None where there is something to do.

    Nothing is written, no picture is read and nobody waits. What is wrong with a shot file is the build's to tell.
    """
    if options.force or options.verify:
        return None
    try:
        settings = read_shot(shot_path)
        if not (settings.out / SCRATCH / MARK).is_file():
            return None
        book = StageBook(OutFolder(settings.out), reads=False)
        if book.broken or not book.is_current("shot", shot_inputs(book, settings, options)):
            return None
    except (LightstackError, OSError):
        return None
    return kept_result(settings.out)


def kept_result(out: Path) -> BuildResult | None:
    """Return what the last whole build in a folder said; None where that cannot be read."""
    return read_result(out, out / SCRATCH / RESULT)


def recall_result(out: Path, kept: Path, *, progress: Progress) -> BuildResult | None:
    """Return the result of the build that is still current; None, with a note, where it cannot be read."""
    result = read_result(out, kept)
    said = "nothing changed" if result else f"{kept}: what the last build kept cannot be read; the report is made again"
    progress.say(said)
    return result


def read_result(out: Path, kept: Path) -> BuildResult | None:
    """Read a build's result as it was kept; None where it cannot be read."""
    known = read_json(kept)
    try:
        return BuildResult(
            out=out,
            files=tuple(known["files"]),
            warnings=tuple(known["warnings"]),
            verdicts=tuple(Verdict(v["take"], v["grade"], tuple(v["sentences"])) for v in known["verdicts"]),
            numbers=dict(known["numbers"]),
            flashes=bool(known["flashes"]),
        )
    except (KeyError, TypeError, ValueError):
        return None
