"""The checks of a build: the same as an inspection's, from what the build has measured anyway."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from lightstack.jobs.inspect.between import add_finding, compare_pair, compare_with_hero
from lightstack.jobs.inspect.checks import REST_FRAMES, check_take, measure_steady
from lightstack.jobs.inspect.looked import TakeLooked
from lightstack.jobs.inspect.rest import rest_of
from lightstack.jobs.inspect.takes import describe_footage
from lightstack.jobs.takes.footage import FittedTake
from lightstack.jobs.takes.luma import LumaSamples
from lightstack.records import Progress, ProxyTake, Registration, RestPicture, TakeFindings

if TYPE_CHECKING:
    from lightstack.jobs.sweep.sweep import SweepOutcome

MAINS = (50.0, 60.0)
CHECKS = 2  # raised whenever the checks of a take that is kept change meaning


class Unwatched:
    """Progress that nobody watches: what is measured here takes a moment."""

    @contextmanager
    def step(self, name: str, total: int | None) -> Iterator[Unwatched]:
        """Show nothing."""
        yield self

    def advance(self, count: int = 1) -> None:
        """Count nothing."""

    def say(self, line: str, *, level: int = 0) -> None:
        """Say nothing."""


def check_built_steady(
    name: str,
    fitted: FittedTake,
    proxies: ProxyTake,
    registration: Registration,
    *,
    luma: LumaSamples,
    folder: Path,
    progress: Progress,
) -> tuple[TakeFindings, RestPicture]:
    """Check a take without a carried lamp that the build has surveyed and registered; its picture at rest is what the
    sweeps are held against."""
    info = fitted.take.info
    rest, table = measure_steady(proxies, registration, folder, progress=progress)
    one = TakeLooked(
        name=name,
        role=name,
        reason="",
        about=describe_footage(info, len(proxies)),
        info=info,
        primaries=fitted.take.working or info.encoding.primaries,
        proxies=proxies,
        luma=luma,
        quick=False,
        registration=registration,
        rest=rest,
        table=table,
        rest_frames=min(REST_FRAMES, len(proxies)),
        brief=True,
    )
    return check_take(one, mains=MAINS), rest_of(one)


def check_built_sweep(outcome: SweepOutcome) -> tuple[TakeFindings, ...]:
    """Check a sweep that the build has made a plate of, and the empty take that it leaned on."""
    one, bare = see_sweep(outcome), see_empty(outcome)
    sweep = replace(check_take(one, mains=MAINS), panels=())  # the sweep's own section plots them
    if outcome.look.own_ambient:
        one = replace(one, rest_frames=max(1, int(outcome.look.lamp_off.sum())))
        if bare is not None:
            sweep = add_finding(sweep, *compare_pair(bare, one))
        hero = None if outcome.origin is None else outcome.origin.rest
        if hero is not None and hero.light.shape == outcome.look.ambient.shape:
            sweep = add_finding(sweep, *compare_with_hero(hero, one))
    return (sweep,) if bare is None else (check_take(bare, mains=MAINS), sweep)


def see_sweep(outcome: SweepOutcome) -> TakeLooked:
    """Hand what the build knows of a sweep to the checks."""
    look, info = outcome.look, outcome.info
    return TakeLooked(
        name=info.name,
        role="sweep",
        reason="",
        about=describe_footage(info, len(look.proxies)),
        info=info,
        primaries=outcome.primaries,
        proxies=look.proxies,
        luma=outcome.luma,
        quick=False,
        registration=look.registration,
        rest=look.ambient,
        table=look.table,
        look=look,
        gel=outcome.gel,
        coverage=outcome.choice.coverage,
        key_count=len(outcome.choice.order),
        reach=outcome.reach,
        holes=outcome.holes,
        brief=True,
    )


def see_empty(outcome: SweepOutcome) -> TakeLooked | None:
    """Hand what the build knows of the sweep's empty take to the checks; None where there is none."""
    empty, info = outcome.look.empty, outcome.empty_info
    if empty is None or info is None:
        return None
    folder = outcome.folder / "bare"
    rest, table = measure_steady(empty.proxies, empty.registration, folder, progress=Unwatched())
    return TakeLooked(
        name="empty",
        role="empty",
        reason="",
        about=describe_footage(info, len(empty.proxies)),
        info=info,
        primaries=outcome.primaries,
        proxies=empty.proxies,
        luma=LumaSamples(set()),
        quick=False,
        registration=empty.registration,
        rest=rest,
        table=table,
        rest_frames=min(REST_FRAMES, len(empty.proxies)),
        brief=True,
    )
