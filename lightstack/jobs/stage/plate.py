"""`lightstack plate`: a sweep alone, without a shot file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import claimed_folder
from lightstack.files.kept.identity import StageBook
from lightstack.files.shot.schema import Sweep, TakeSettings
from lightstack.jobs.stage.deliver import deliver_sweeps
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.sweep.sweep import SweepRequest, build_sweep
from lightstack.jobs.takes.machines import noted_run
from lightstack.jobs.takes.options import BuildResult, PlateOptions, make_sweep_settings
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import Progress


def make_plate(
    sweeps: Sequence[Path], *, empty: Path | None, out: Path, options: PlateOptions, progress: Progress
) -> BuildResult:
    """Make plate, light stack, tables and report of one sweep (several files are passes of one sweep).

    Raises
    ------
    LightstackError
        For footage or settings that cannot be used; nothing half-written is left.
    """
    if not sweeps:
        raise SettingError("no sweep was named; give at least one movie or sequence")
    settings = make_sweep_settings(sweeps, options)
    check_take_options(options)
    for path in (*sweeps, *([empty] if empty else [])):
        if not path.exists() and "#" not in path.name and "%" not in path.name:
            raise MissingInput(f"{path}: nothing is there; check the path")
    with claimed_folder(out, progress) as folder, noted_run(options, folder, progress=progress) as (used, timed):
        request = SweepRequest(
            settings=settings,
            paths=tuple(sweeps),
            empty=None if empty is None else (read_like(settings, empty), (empty,)),
            options=used,
        )
        scratch = folder.scratch_folder(settings.name)
        book = StageBook(folder, verify=options.verify)
        book.watch([*sweeps, *([empty] if empty else [])])
        outcome = build_sweep(request, scratch, progress=timed)
        book.check_steady()
        delivery = Delivery(
            folder=folder,
            shot=settings.name,
            prefix="",
            suffix="",
            separate=options.separate,
            book=book,
        )
        return deliver_sweeps(delivery, [(settings, outcome)], progress=timed)


def read_like(sweep: Sweep, path: Path) -> TakeSettings:
    """Return the settings of an empty take that was filmed by the sweep's camera."""
    return TakeSettings(
        path=(str(path),),
        colour=sweep.colour,
        response=sweep.response,
        range=sweep.range,
        matrix=sweep.matrix,
        rotate=sweep.rotate,
    )
