"""One take registered, measured and checked by its role, here or by another machine."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from lightstack.errors import UnusableTake
from lightstack.files.called_off import go_on
from lightstack.files.kept.handed import read_handed, write_handed
from lightstack.jobs.inspect.build import Unwatched
from lightstack.jobs.inspect.checks import check_take, look_at_steady, rate_sweep
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.quick import look_at_quick_sweep
from lightstack.jobs.inspect.takes import PlannedTake, describe_footage, sweep_settings
from lightstack.jobs.spread.pieces import Spread
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.look import look_at_sweep
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.jobs.takes.survey import find_own
from lightstack.jobs.takes.survey_job import sync_file
from lightstack.jobs.takes.unlit import find_unlit
from lightstack.records import Progress, ProxyTake, TakeFindings

__all__ = ["ExamineJob", "Examined", "Surveyed", "examine_elsewhere", "examine_here"]

FOUND = "found"  # in a take's folder: what a worker found


@dataclass(frozen=True, slots=True)
class Surveyed:
    """A take after its one pass over the footage."""

    plan: PlannedTake
    fitted: FittedTake
    proxies: ProxyTake
    luma: LumaSamples


@dataclass(frozen=True, slots=True)
class Examined:
    """What a take showed, and what the checks say of it by itself."""

    looked: TakeLooked
    findings: TakeFindings


@dataclass(frozen=True, slots=True, eq=False)
class ExamineJob:
    """Surveyed takes to be examined in ``folder``, where each keeps its pictures. ``quick``: seen at some frames only;
    ``mains``: frequencies of the mains that lamps may flicker by, Hz."""

    surveyed: tuple[Surveyed, ...]
    folder: Path
    quick: bool
    mains: tuple[float, ...]

    def examine(self, index: int, folder: Path, *, progress: Progress) -> Examined:
        """Register, measure and check one take; a sweep without dark frames leans on the empty take. ``folder``: for
        pictures of it."""
        looked = self._look(index, folder, progress=progress)
        with progress.step(f"check {looked.name}", None):
            return Examined(looked, check_take(looked, mains=self.mains))

    def _look(self, index: int, folder: Path, *, progress: Progress) -> TakeLooked:
        """Register and measure one take by its role."""
        one = self.surveyed[index]
        whole = begin_look(one, quick=self.quick)
        if one.plan.role != "sweep":
            return look_at_steady(whole, folder, progress=progress)
        settings, bare = sweep_settings(one.plan), self._find_bare(one)
        try:
            if self.quick:
                look = look_at_quick_sweep(one.fitted, one.proxies, bare, folder, progress=progress)
            else:
                look = look_at_sweep(
                    one.fitted, settings, origin=None, empty=bare, proxies=one.proxies, folder=folder, progress=progress
                )
        except UnusableTake as error:
            return whole.fail(str(error).removeprefix(f"{whole.info.paths[0]}: "))
        return rate_sweep(whole, look, one.fitted, settings)

    def _find_bare(self, sweep: Surveyed) -> ProxyTake | None:
        """Return the empty take that a sweep leans on; None where it shows the room without the lamp itself."""
        empty = next((one.proxies for one in self.surveyed if one.plan.role == "empty"), None)
        if empty is None or empty.rgb.shape[1:] != sweep.proxies.rgb.shape[1:] or shows_room(sweep):
            return None
        return empty


def begin_look(one: Surveyed, *, quick: bool) -> TakeLooked:
    """Return what is known of a take before it is measured."""
    info, proxies = one.fitted.take.info, one.proxies
    return TakeLooked(
        name=one.plan.name,
        role=one.plan.role or "take",
        reason=one.plan.reason,
        about=describe_footage(info, info.frame_count if quick else len(proxies)),
        info=info,
        primaries=one.fitted.take.working or info.encoding.primaries,
        proxies=proxies,
        luma=one.luma,
        quick=quick and len(proxies) < info.frame_count,
        own=find_own(one.fitted),
    )


def shows_room(one: Surveyed) -> bool:
    """Tell whether a sweep shows the room without the lamp itself; then it is judged by itself."""
    unlit = find_unlit(one.proxies, one.fitted, None)
    return 2 <= int(unlit.sum()) < len(unlit)


def examine_here(job: ExamineJob, *, progress: Progress) -> tuple[Examined, ...]:
    """Examine every take, one after the other."""
    return tuple(job.examine(k, own_folder(job, k), progress=progress) for k in range(len(job.surveyed)))


def own_folder(job: ExamineJob, index: int) -> Path:
    """Make a folder for a take; one that another worker began, who may be lost, is left alone."""
    return Path(tempfile.mkdtemp(prefix=f"look_{index:03d}_", dir=job.folder))


class WhileWanted(Unwatched):
    """Progress that nobody watches, of work that may be called off at every step of it."""

    @contextmanager
    def step(self, name: str, total: int | None) -> Iterator[Unwatched]:
        """Stop where the job has ended."""
        go_on()
        yield self

    def advance(self, count: int = 1) -> None:
        """Stop where the job has ended."""
        go_on()


def examine_elsewhere(job: ExamineJob, spread: Spread, *, progress: Progress) -> tuple[Examined, ...]:
    """Have every take examined by others, as `examine_here` does. Raises what a piece of it raised."""
    with progress.step("register, measure and check", len(job.surveyed)) as step:
        found = []
        for path in spread.run(examine_some, job, range(len(job.surveyed))):
            found.append(read_handed(path))
            step.advance()
        return tuple(found)


def examine_some(job: ExamineJob, index: int) -> Path:
    """Examine one take with a reader of one's own; return the file that holds what was found, beside its pictures."""
    one = job.surveyed[index]
    with one.fitted.take.opened_again() as take:
        own = replace(one, fitted=replace(one.fitted, take=take))
        mine = replace(job, surveyed=(*job.surveyed[:index], own, *job.surveyed[index + 1 :]))
        folder = own_folder(job, index)
        found = mine.examine(index, folder, progress=WhileWanted())
        for path in folder.iterdir():
            sync_file(path)
        write_handed(folder / FOUND, found)
        return folder / FOUND
