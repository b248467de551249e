"""`lightstack inspect`: is a take good, before the set is struck? The survey pass alone, and every check."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from lightstack.errors import UnusableTake
from lightstack.files.folder import FOR_ONE_RUN, OutFolder, claimed_folder
from lightstack.files.read.response import RESPONSE_FILE
from lightstack.jobs.inspect.between import compare_all
from lightstack.jobs.inspect.checks import check_take, look_at_steady, rate_sweep
from lightstack.jobs.inspect.lamps import LampsJudged, judge_lamps
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.options import Inspected, InspectOptions
from lightstack.jobs.inspect.out import write_inspection
from lightstack.jobs.inspect.quick import look_at_quick_sweep, look_quickly
from lightstack.jobs.inspect.takes import (
    SHOT_SUFFIX,
    PlannedTake,
    describe_footage,
    give_roles,
    plan_takes,
    sweep_settings,
)
from lightstack.jobs.takes.footage import FittedTake, open_fitted
from lightstack.jobs.takes.look import look_at_sweep, survey_with_noise
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.options import check_ocio
from lightstack.jobs.takes.survey import UNKNOWN_NOISE, find_own
from lightstack.jobs.takes.unlit import find_unlit
from lightstack.records import Progress, ProxyTake, TakeFindings

QUICK_FOLDER = Path("inspect")


@dataclass(frozen=True, slots=True)
class Surveyed:
    """A take after its one pass over the footage."""

    plan: PlannedTake
    fitted: FittedTake
    proxies: ProxyTake
    luma: LumaSamples


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
    planned, working = plan_takes(paths, options)
    if out is None and options.quick:
        out = QUICK_FOLDER
    with working_folder(out) as (folder, scratch), ExitStack() as opened:
        surveyed = survey_all(planned, working, scratch, opened, options, progress=progress)
        looked = look_at_all(surveyed, scratch, options, progress=progress)
        lamps = judge_lamps(looked, offer=offer_response(paths, out))
        takes, notes = judge_all(looked, lamps, options, progress=progress)
        notes += tuple(f"{one.plan.name}: {line}" for one in surveyed for line in one.fitted.take.reading_notes)
        files: tuple[str, ...] = ()
        if folder is not None:
            with progress.step("write", None):
                files = write_inspection(folder, looked, takes, notes, options, title=name_page(paths), lamps=lamps)
        return Inspected(takes, notes, None if folder is None else folder.path, files, options.quick)


@contextmanager
def working_folder(out: Path | None) -> Iterator[tuple[OutFolder | None, Path]]:
    """Give the output folder, if one is asked for, and a place for the survey, which is emptied afterwards."""
    with ExitStack() as stack:
        folder = None if out is None else stack.enter_context(claimed_folder(out))
        where = None if folder is None else folder.scratch
        yield folder, Path(stack.enter_context(tempfile.TemporaryDirectory(prefix=FOR_ONE_RUN, dir=where)))


def survey_all(
    planned: Sequence[PlannedTake],
    working: str | None,
    scratch: Path,
    opened: ExitStack,
    options: InspectOptions,
    *,
    progress: Progress,
) -> tuple[Surveyed, ...]:
    """See every take once: whole, or with ``options.quick`` at evenly spaced frames."""
    found = []
    for index, plan in enumerate(planned):
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
                fitted, plan.settings, place, assume=UNKNOWN_NOISE, luma=luma, progress=progress
            )
        if len(proxies) == 1:
            raise UnusableTake(
                f"{plan.paths[0]}: holds one frame, a take of some seconds was expected; name the take as recorded"
            )
        found.append(Surveyed(plan, fitted, proxies, luma))
    roles = give_roles(planned, [one.proxies for one in found], [one.fitted.take.info for one in found])
    return tuple(Surveyed(role, one.fitted, one.proxies, one.luma) for role, one in zip(roles, found, strict=True))


def look_at_all(
    surveyed: Sequence[Surveyed], scratch: Path, options: InspectOptions, *, progress: Progress
) -> tuple[TakeLooked, ...]:
    """Register and measure every take; a sweep without dark frames leans on the empty take."""
    empty = next((one for one in surveyed if one.plan.role == "empty"), None)
    return tuple(
        look_at_one(one, empty, scratch / f"look_{index:03d}", options, progress=progress)
        for index, one in enumerate(surveyed)
    )


def look_at_one(
    one: Surveyed, empty: Surveyed | None, folder: Path, options: InspectOptions, *, progress: Progress
) -> TakeLooked:
    """Register and measure one take by its role."""
    folder.mkdir()
    info, proxies = one.fitted.take.info, one.proxies
    whole = TakeLooked(
        name=one.plan.name,
        role=one.plan.role or "take",
        reason=one.plan.reason,
        about=describe_footage(info, info.frame_count if options.quick else len(proxies)),
        info=info,
        primaries=one.fitted.take.working or info.encoding.primaries,
        proxies=proxies,
        luma=one.luma,
        quick=options.quick and len(proxies) < info.frame_count,
        own=find_own(one.fitted),
    )
    if one.plan.role != "sweep":
        return look_at_steady(whole, folder, progress=progress)
    bare = None
    if empty is not None and empty.proxies.rgb.shape[1:] == proxies.rgb.shape[1:] and not shows_room(one):
        bare = empty.proxies
    try:
        if options.quick:
            look = look_at_quick_sweep(one.fitted, proxies, bare, folder, progress=progress)
        else:
            look = look_at_sweep(
                one.fitted,
                sweep_settings(one.plan),
                origin=None,
                empty=bare,
                proxies=proxies,
                folder=folder,
                progress=progress,
            )
    except UnusableTake as error:
        return whole.fail(str(error).removeprefix(f"{info.paths[0]}: "))
    return rate_sweep(whole, look, one.fitted, sweep_settings(one.plan))


def shows_room(one: Surveyed) -> bool:
    """Tell whether a sweep shows the room without the lamp itself; then it is judged by itself."""
    unlit = find_unlit(one.proxies, one.fitted, None)
    return 2 <= int(unlit.sum()) < len(unlit)


def judge_all(
    looked: Sequence[TakeLooked], lamps: LampsJudged, options: InspectOptions, *, progress: Progress
) -> tuple[tuple[TakeFindings, ...], tuple[str, ...]]:
    """Check every take by itself and against the others; the notes hold for several takes together."""
    with progress.step("check", len(looked)) as step:
        takes = []
        for one in looked:
            takes.append(check_take(one, mains=options.mains))
            step.advance()
        return compare_all(looked, takes, judged=lamps)


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
