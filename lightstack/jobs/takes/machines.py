"""The machines of a job: whom its options name, else its shot file, and nobody else's results for it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from lightstack.files.folder import OutFolder, write_json
from lightstack.files.shot.schema import ShotSettings
from lightstack.jobs.takes.options import NONE, BuildOptions
from lightstack.records import Progress, Step

__all__ = ["NONE", "TimedSteps", "find_cluster", "noted_run", "with_machines"]

Options = TypeVar("Options", bound=BuildOptions)
RUN = "run.json"  # in the scratch folder: what differs between two runs that make the same


@contextmanager
def with_machines(
    options: Options, folder: OutFolder, *, address: str | None = None, workers: int = 1, progress: Progress
) -> Iterator[Options]:
    """Give the options with the machines of a cluster connected, where they or ``address`` name one.

    ``address``, ``workers``: what the shot file says. Raises as `cluster.connect`.
    """
    wanted = options.cluster or address
    if wanted is None or wanted == NONE:
        yield options
        return
    from lightstack.jobs.spread.cluster import connect  # an extra, which takes long to load

    with connect(wanted, folder, workers=workers, progress=progress) as spread:
        yield replace(options, spread=spread)


def find_cluster(settings: ShotSettings) -> tuple[str | None, int]:
    """Return where the shot's cluster is, and how many workers to wait for; its file lies beside the shot file."""
    wish = settings.cluster
    if wish is None:
        return None, 1
    file = settings.locate(wish.address)
    is_file = "://" not in wish.address and file.is_file()
    return str(file) if is_file else wish.address, wish.workers


class TimedSteps:
    """Progress that is passed on, and how long each step took."""

    def __init__(self, shown: Progress) -> None:
        self._shown = shown
        self.seconds: dict[str, float] = {}

    def say(self, line: str, *, level: int = 0) -> None:
        """Pass a line on."""
        self._shown.say(line, level=level)

    def step(self, name: str, total: int | None) -> AbstractContextManager[Step]:
        """Pass a step on and time it."""
        return self._timed(name, total)

    @contextmanager
    def _timed(self, name: str, total: int | None) -> Iterator[Step]:
        begun = time.monotonic()
        with self._shown.step(name, total) as step:
            yield step
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.monotonic() - begun, 3)


@contextmanager
def noted_run(
    options: BuildOptions, folder: OutFolder, *, address: str | None = None, workers: int = 1, progress: Progress
) -> Iterator[tuple[BuildOptions, Progress]]:
    """Give options as `with_machines` does and progress that is timed; note of a run that ends well how long it took,
    and who worked on it, where no result is compared."""
    begun, steps = time.monotonic(), TimedSteps(progress)
    with ExitStack() as opened:
        machines = with_machines(options, folder, address=address, workers=workers, progress=steps)
        used = opened.enter_context(machines)
        yield used, steps
        told: dict[str, Any] = {"seconds": round(time.monotonic() - begun, 3), "steps": steps.seconds}
        if used.spread is not None:
            told["cluster"] = used.spread.describe()
        write_json(Path(folder.scratch) / RUN, told)
