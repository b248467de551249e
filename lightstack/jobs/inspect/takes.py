"""Takes to inspect: from a shot file with their roles, or movies whose roles are guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.check.casting import Candidate, cast_takes
from lightstack.core.check.guess import TakeLook, look_at_take
from lightstack.core.colour.measured import name_curve
from lightstack.core.sampling import space_evenly
from lightstack.errors import MissingInput, SettingError
from lightstack.files.shot.schema import ShotSettings, Sweep, TakeSettings
from lightstack.files.shot.shotfile import check_sweep, read_shot
from lightstack.jobs.inspect.options import InspectOptions
from lightstack.jobs.takes.machines import find_cluster
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import ProxyTake, TakeInfo

SAMPLES = 32
GUESS_WIDTH = 160
SHOT_SUFFIX = ".toml"
READING = ("colour", "response", "range", "matrix", "rotate")  # options that say how movies are read


@dataclass(frozen=True, slots=True)
class PlannedTake:
    """One take to inspect; ``role`` None = to be guessed. ``reason``: why the guess."""

    name: str
    role: str | None
    settings: TakeSettings
    paths: tuple[Path, ...]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class PlannedTakes:
    """The takes to inspect, and what a shot file says of all of them: working space (None: the first take's), address
    of a cluster, workers to wait for."""

    takes: tuple[PlannedTake, ...]
    working: str | None = None
    cluster: str | None = None
    workers: int = 1


def plan_takes(paths: Sequence[Path], options: InspectOptions) -> PlannedTakes:
    """Return the takes that ``paths`` name: a shot file's, or movies and stills.

    Raises
    ------
    MissingInput, SettingError
        For paths at which nothing lies, a shot file beside movies, and whatever a shot file can be refused for.
    """
    if not paths:
        raise SettingError("no take was named; give movies, stills or a shot file")
    shots = [path for path in paths if path.suffix.lower() == SHOT_SUFFIX]
    if shots and len(paths) > 1:
        raise SettingError(f"{shots[0]}: a shot file names its takes itself; inspect it alone, or name movies only")
    given = [word for word in READING if getattr(options, word) is not None]
    if shots and given:
        raise SettingError(f"--{given[0]}: {shots[0]} says how its takes are read; write it there, or name movies")
    if shots:
        settings = read_shot(shots[0])
        working = None if settings.shot.working == "hero" else settings.shot.working
        planned = PlannedTakes(plan_shot(settings), working, *find_cluster(settings))
    else:
        planned = PlannedTakes(plan_movies(paths, options))
    for take in planned.takes:
        for path in take.paths:
            if not path.exists() and "#" not in path.name and "%" not in path.name:
                raise MissingInput(f"{path}: nothing is there; check the path")
    return planned


def plan_shot(settings: ShotSettings) -> tuple[PlannedTake, ...]:
    """Return the takes of a shot file with the roles that it gives them."""
    roles = [(role, getattr(settings.takes, role)) for role in ("hero", "empty", "empty_lit", "clean", "grey")]
    takes = [PlannedTake(role, role, take, settings.take_paths(take)) for role, take in roles if take is not None]
    takes += [PlannedTake(sweep.name, "sweep", sweep, settings.take_paths(sweep)) for sweep in settings.sweep]
    if not takes:
        raise SettingError(f"{settings.path}: names no takes; add a [[sweep]] with its path")
    return tuple(takes)


def plan_movies(paths: Sequence[Path], options: InspectOptions) -> tuple[PlannedTake, ...]:
    """Return movies as takes without roles, named by their files."""
    words = {name: getattr(options, name) for name in READING}
    given = {name: value for name, value in words.items() if value is not None}
    names = name_apart(paths)
    check_take_options(options)
    settings = [check_sweep({"path": [str(path)], **given}) for path in paths]
    return tuple(PlannedTake(n, None, s, (p,)) for n, s, p in zip(names, settings, paths, strict=True))


def name_apart(paths: Sequence[Path]) -> list[str]:
    """Name takes by their files; files of one name in several folders carry the folder, equal ones a number.

    Scratch files bear these names, so none may hold a slash.
    """
    names = [path.name or path.resolve().name for path in paths]
    if len(set(names)) < len(names):
        names = [f"{name} in {path.resolve().parent.name}" for path, name in zip(paths, names, strict=True)]
    seen: dict[str, int] = {}
    apart = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        apart.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return apart


def glance(proxies: ProxyTake) -> TakeLook:
    """Look at evenly spaced frames of a surveyed take to tell what it is."""
    picked = [proxies.rgb[k] for k in space_evenly(0, len(proxies) - 1, SAMPLES)]
    return look_at_take(np.stack([shrink_to(picture, GUESS_WIDTH) for picture in picked]))


def shrink_to(picture: NDArray, width: int) -> NDArray[np.float32]:
    """Shrink a picture (h, w, 3) to about ``width`` by area averaging."""
    light = np.nan_to_num(np.asarray(picture, np.float32))
    if light.shape[1] <= width:
        return light
    size = (width, max(2, round(light.shape[0] * width / light.shape[1])))
    return np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), np.float32)


def give_roles(
    planned: Sequence[PlannedTake], surveyed: Sequence[ProxyTake], infos: Sequence[TakeInfo]
) -> tuple[PlannedTake, ...]:
    """Guess the roles that are not given; what fits no role is a plain "take"."""
    if all(plan.role is not None for plan in planned):
        return tuple(planned)
    candidates = [
        Candidate(plan.name, len(proxies), (info.width, info.height), glance(proxies))
        for plan, proxies, info in zip(planned, surveyed, infos, strict=True)
    ]
    roles = {name: (part.role or "take", part.reason) for part in cast_takes(candidates).parts for name in part.takes}
    return tuple(
        replace(plan, role=roles.get(plan.name, ("take", ""))[0], reason=roles.get(plan.name, ("", ""))[1])
        for plan in planned
    )


def sweep_settings(plan: PlannedTake) -> Sweep:
    """Return a take's settings as those of a sweep."""
    settings = plan.settings
    return settings if isinstance(settings, Sweep) else check_sweep(settings.model_dump(mode="json"))


def describe_footage(info: TakeInfo, frames: int) -> str:
    """Say in one line what a take is: size, frames, rate, running time, codec, encoding."""
    encoding = info.encoding
    parts = [f"{info.width} \u00d7 {info.height}", f"{frames} {'frame' if frames == 1 else 'frames'}"]
    if info.rate:
        parts.append(f"{float(info.rate):.5g} frames/s")
    parts += [info.codec, f"{encoding.bit_depth} bit {encoding.chroma}", name_curve(encoding)]
    return ", ".join(parts)
