"""`lightstack inspect`: is a take good, before the set is struck? The survey pass alone, and every check."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

from lightstack.errors import SettingError, UnusableTake
from lightstack.files.folder import FOR_ONE_RUN, OutFolder, claimed_folder
from lightstack.files.read.response import RESPONSE_FILE
from lightstack.jobs.inspect.between import compare_all
from lightstack.jobs.inspect.examine import Examined, ExamineJob, Surveyed, examine_elsewhere, examine_here
from lightstack.jobs.inspect.lamps import judge_lamps
from lightstack.jobs.inspect.options import Inspected, InspectOptions
from lightstack.jobs.inspect.out import write_inspection
from lightstack.jobs.inspect.quick import look_quickly
from lightstack.jobs.inspect.takes import SHOT_SUFFIX, PlannedTakes, give_roles, plan_takes
from lightstack.jobs.takes.footage import open_fitted
from lightstack.jobs.takes.look import survey_with_noise
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.machines import NONE, with_machines
from lightstack.jobs.takes.options import check_ocio
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import Progress

QUICK_FOLDER = Path("inspect")


def inspect_takes(paths: Sequence[Path], *, out: Path | None, options: InspectOptions, progress: Progress) -> Inspected:
    """Inspect takes: a verdict for each, with figures and what to do on set.

    ``paths``: movies and stills, whose roles are guessed, or one shot file. ``out``: folder for the page and the
    pictures; without one nothing is written (a quick look writes into ``inspect``).

    Raises
    ------
    LightstackError
        For takes that cannot be read; a take that can be read and not used is a finding.
    """
    check_ocio(options)
    planned = plan_takes(paths, options)
    address = choose_cluster(planned, options, out, progress=progress)
    if out is None and options.quick:
        out = QUICK_FOLDER
    with working_folder(out) as (folder, scratch), ExitStack() as opened:
        shared = OutFolder(scratch) if folder is None else folder
        asked = replace(options, cluster=address)
        used = opened.enter_context(with_machines(asked, shared, workers=planned.workers, progress=progress))
        surveyed = survey_all(planned, scratch, opened, used, progress=progress)
        examined = examine_all(surveyed, scratch, used, progress=progress)
        looked = [one.looked for one in examined]
        lamps = judge_lamps(looked, offer=offer_response(paths, out))
        takes, notes = compare_all(looked, [one.findings for one in examined], judged=lamps)
        notes += tuple(f"{one.plan.name}: {line}" for one in surveyed for line in one.fitted.take.reading_notes)
        files: tuple[str, ...] = ()
        if folder is not None:
            with progress.step("write", None):
                files = write_inspection(folder, looked, takes, notes, options, title=name_page(paths), lamps=lamps)
        return Inspected(takes, notes, None if folder is None else folder.path, files, options.quick)


def choose_cluster(
    planned: PlannedTakes, options: InspectOptions, out: Path | None, *, progress: Progress
) -> str | None:
    """Return the address of the cluster to inspect with, None for none. Raises SettingError for one that was typed and
    cannot help."""
    typed, known = options.cluster, planned.cluster
    if typed == NONE or (typed or known) is None:
        return None
    if typed and options.quick:
        raise SettingError(f"--cluster {typed}: a quick look takes seconds here; leave out --cluster, or --quick")
    if typed and out is None:
        raise SettingError(
            f"--cluster {typed}: what workers see is kept in the folder of the results; name one with `-o FOLDER` that "
            "every machine has under the same path"
        )
    if out is None and not options.quick:
        progress.say("without `-o FOLDER`, which the cluster's workers would have to see, the takes are inspected here")
    return None if options.quick or out is None else typed or known


@contextmanager
def working_folder(out: Path | None) -> Iterator[tuple[OutFolder | None, Path]]:
    """Give the output folder, if one is asked for, and a place for the survey, which is emptied afterwards."""
    with ExitStack() as stack:
        folder = None if out is None else stack.enter_context(claimed_folder(out))
        where = None if folder is None else folder.scratch
        scratch = tempfile.TemporaryDirectory(prefix=FOR_ONE_RUN, dir=where, ignore_cleanup_errors=True)
        yield folder, Path(stack.enter_context(scratch))  # a worker that was called off may still write into it


def survey_all(
    planned: PlannedTakes,
    scratch: Path,
    opened: ExitStack,
    options: InspectOptions,
    *,
    progress: Progress,
) -> tuple[Surveyed, ...]:
    """See every take once: whole, or with ``options.quick`` at evenly spaced frames."""
    found, working = [], planned.working
    for index, plan in enumerate(planned.takes):
        fitted = opened.enter_context(
            open_fitted(plan.settings, plan.paths, name=plan.name, size=None, working=working, options=options)
        )
        working = working or fitted.take.info.encoding.primaries
        luma = LumaSamples.plan(fitted.take.info)
        if options.quick:
            proxies = look_quickly(fitted, plan.settings, luma, progress=progress)
        else:
            place = scratch / f"{index:03d}"
            place.mkdir()
            proxies = survey_with_noise(
                fitted,
                plan.settings,
                place,
                assume=UNKNOWN_NOISE,
                luma=luma,
                spread=options.spread,
                progress=progress,
            )
        if len(proxies) == 1:
            raise UnusableTake(
                f"{plan.paths[0]}: holds one frame, a take of some seconds was expected; name the take as recorded"
            )
        found.append(Surveyed(plan, fitted, proxies, luma))
    roles = give_roles(planned.takes, [one.proxies for one in found], [one.fitted.take.info for one in found])
    return tuple(Surveyed(role, one.fitted, one.proxies, one.luma) for role, one in zip(roles, found, strict=True))


def examine_all(
    surveyed: Sequence[Surveyed], scratch: Path, options: InspectOptions, *, progress: Progress
) -> tuple[Examined, ...]:
    """Register, measure and check every take; with a cluster several at a time."""
    job = ExamineJob(tuple(surveyed), scratch, options.quick, options.mains)
    if options.spread is not None and len(surveyed) > 1:
        return examine_elsewhere(job, options.spread, progress=progress)
    return examine_here(job, progress=progress)


def offer_response(paths: Sequence[Path], out: Path | None) -> str:
    """Say how takes are read by the response that an inspection measures, with the lines to write."""
    if out is None:
        return "inspect again with `-o FOLDER`, which measures the response and writes it for `colour = \"measured\"`."
    shots = [path for path in paths if path.suffix.lower() == SHOT_SUFFIX]
    place = os.path.relpath(out / RESPONSE_FILE, shots[0].parent) if shots else str(out.resolve() / RESPONSE_FILE)
    return (
        'read every take of this camera and setting by what was measured here: in the shot file write '
        f'colour = "measured" and response = "{Path(place).as_posix()}".'
    )


def name_page(paths: Sequence[Path]) -> str:
    """Name the page by what was inspected."""
    first = paths[0].name or str(paths[0])
    return first if len(paths) == 1 else f"{first} and {len(paths) - 1} more"
