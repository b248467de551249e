"""`lightstack grain`: a camera's grain measured in a take, and laid over pictures that have none."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.names import MEASURED
from lightstack.core.grain.topup import full_grain
from lightstack.errors import MissingInput, SettingError
from lightstack.files.folder import explain_os_error, real_path, write_whole
from lightstack.files.kept.grain_profiles import read_grain, write_grain
from lightstack.files.kept.identity import list_files
from lightstack.files.write.plates import write_exr
from lightstack.jobs.clean.takes import read_as
from lightstack.jobs.grain.grain import measure_grain
from lightstack.jobs.grain.words import compare_profiles, describe_grain, doubt_range
from lightstack.jobs.takes.footage import FittedTake, open_fitted, resolve_ranges
from lightstack.jobs.takes.options import BuildResult, TakeOptions
from lightstack.jobs.takes.reading import check_take_options
from lightstack.records import GrainProfile, Progress
from lightstack.report.grain_plot import plot_grain

__all__ = ["GrainOptions", "apply_grain", "measure_take"]

PLACE = re.compile(r"#+")
MOST_FRAMES = 100_000
DEFAULT_DIGITS = 4
LIGHT_ITSELF = (".exr", ".hdr")  # pictures of linear light: no camera's codes, so no response of it


@dataclass(frozen=True, slots=True, kw_only=True)
class GrainOptions(TakeOptions):
    """How a take is read for its grain; ``frames``: ranges of its source frames, () = all."""

    frames: tuple[tuple[int | str, int | str], ...] = ()


def measure_take(path: Path, out: Path, *, options: GrainOptions, progress: Progress) -> BuildResult:
    """Measure the grain of a take; write its profile to ``out`` (JSON) and a plot beside it.

    Raises
    ------
    LightstackError
        For footage in which no grain can be measured; nothing half-written is left.
    """
    if out.suffix.lower() != ".json":
        raise SettingError(f"--out {out}: a grain profile is written as JSON; name a file that ends in .json")
    check_take_options(options)
    if len(options.frames) > 1:
        raise SettingError("--frames: one range is measured at a time, such as 1-48")
    with open_for_grain(path, options, working=None) as fitted:
        profile = measure_grain(fitted, use=span_of(fitted, options), progress=progress)
        warnings = fitted.warnings
    make_folder(out)
    write_grain(out, profile)
    plot = out.with_suffix(".png")
    write_whole(plot, plot_grain(profile))
    return BuildResult(
        out=out.parent,
        files=(out.name, plot.name),
        warnings=(*warnings, *(f"{profile.take}: {line}" for line in profile.warnings)),
        numbers=describe_grain(profile),
    )


def apply_grain(
    picture: Path,
    profile_path: Path,
    out: Path,
    *,
    seed: int,
    amount: float,
    like: Path | None,
    options: GrainOptions,
    progress: Progress,
) -> BuildResult:
    """Lay a profile's grain over a still or a sequence that has none, new in every frame.

    ``out``: ``name.####.exr``, one file a frame. ``like``: a take that the grain shall match; it is measured and
    compared. A still is repeated over ``options.frames``.

    Raises
    ------
    LightstackError
        For a profile or pictures that cannot be used, or where a result would replace an input.
    """
    check_request(out, seed, amount)
    check_take_options(options)
    profile = read_grain(profile_path)
    lines: list[str] = []
    if like is not None:
        with open_for_grain(like, options, working=profile.primaries, name="like") as fitted:
            lines += compare_profiles(profile, measure_grain(fitted, bursts=6, progress=progress))
    with open_for_grain(picture, options, working=profile.primaries, name="picture") as fitted:
        lines += fitted.warnings
        plan = plan_frames(fitted, options)
        names = [name_frame(out, number) for number, _ in plan]
        check_overwriting(picture, out.parent, names)
        make_folder(out)
        with progress.step("grain", len(plan)) as step:
            for name, (number, light) in zip(names, light_of(fitted, plan), strict=True):
                if name == names[0]:
                    lines += check_picture(profile, light)
                grain = full_grain(light, profile, seed=seed, frame=number, amount=amount)
                write_exr(out.parent / name, light + grain, primaries=profile.primaries)
                step.advance()
    return BuildResult(
        out=out.parent,
        files=tuple(names),
        warnings=tuple(dict.fromkeys(lines)),
        numbers={"frames": str(len(names)), "grain": f"of {profile.take}, amount {amount:g}, seed {seed}"},
    )


def open_for_grain(path: Path, options: GrainOptions, *, working: str | None, name: str | None = None):  # type: ignore[no-untyped-def]
    """Open a take or a picture as the options say, in a space; a picture of light is read as it is."""
    if not path.exists() and "#" not in path.name and "%" not in path.name:
        raise MissingInput(f"{path}: nothing is there; check the path")
    in_codes = not (options.colour == MEASURED and path.suffix.lower() in LIGHT_ITSELF)
    settings = read_as(path, options if in_codes else replace(options, colour="auto", response=None))
    stem = name or PLACE.sub("", path.stem).strip("._-") or "take"
    return open_fitted(settings, (path,), name=stem, size=None, working=working, options=options)


def span_of(fitted: FittedTake, options: GrainOptions) -> tuple[int, int] | None:
    """Return the one range of source frames that was asked for, None for all."""
    if not options.frames:
        return None
    return resolve_ranges(options.frames, fitted.take, what="frames")[0]


def plan_frames(fitted: FittedTake, options: GrainOptions) -> list[tuple[int, int]]:
    """Return (number in the result, source frame) of every frame; a still is there at every number."""
    info = fitted.take.info
    if info.frame_count == 1 and options.frames:
        numbers = sorted({number for first, last in options.frames for number in count_range(first, last)})
        return [(number, info.first_frame) for number in numbers]
    spans = resolve_ranges(options.frames, fitted.take, what="frames") or [(info.first_frame, info.last_frame)]
    return [(number, number) for number in sorted({n for first, last in spans for n in range(first, last + 1)})]


def count_range(first: int | str, last: int | str) -> range:
    """Return the numbers of an inclusive range. Raises SettingError for one that is none."""
    if isinstance(first, str) or isinstance(last, str) or last < first or last - first >= MOST_FRAMES:
        raise SettingError(f"--frames {first}-{last}: is not a range of frames; write 1-48")
    return range(first, last + 1)


def light_of(fitted: FittedTake, plan: list[tuple[int, int]]) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Give the number and the light of every frame planned; a still is read once."""
    if len({source for _, source in plan}) == 1:
        light = next(fitted.linear(frame).copy() for frame in fitted.take.read_frames([plan[0][1]]))
        for number, _ in plan:
            yield number, light
        return
    for (number, _), frame in zip(plan, fitted.take.read_frames([source for _, source in plan]), strict=True):
        yield number, fitted.linear(frame)


def name_frame(out: Path, number: int) -> str:
    """Return the file name of a frame: the number in place of ``####``, or as the name says where it has none."""
    if not PLACE.search(out.name):
        return out.name
    return PLACE.sub(lambda found: f"{number:0{len(found[0])}d}", out.name, count=1)


def check_request(out: Path, seed: int, amount: float) -> None:
    """Refuse what cannot be made. Raises SettingError."""
    if out.suffix.lower() != ".exr":
        raise SettingError(f"--out {out}: grained frames are written as OpenEXR; name out.{'#' * DEFAULT_DIGITS}.exr")
    if not 0 <= amount <= 2:
        raise SettingError(f"--amount {amount:g}: expected 0 to 2, 1 is as measured")
    if seed < 0:
        raise SettingError(f"--seed {seed}: expected a whole number of 0 or more")


def check_overwriting(picture: Path, folder: Path, names: list[str]) -> None:
    """Refuse names that would replace each other or what is read. Raises SettingError."""
    if len(set(names)) < len(names):
        raise SettingError(f"--out: {len(names)} frames need numbers in their names; write name.####.exr")
    results = {real_path(folder / name) for name in names}
    for file in list_files(picture):
        if real_path(file) in results:
            raise SettingError(f"--out: would be written over {file}, which is read; name other files")


def check_picture(profile: GrainProfile, light: NDArray[np.float32]) -> tuple[str, ...]:
    """Return a line for each way in which a picture does not fit a profile."""
    lines = doubt_range(profile, light)
    if light.shape[:2] != profile.size:
        height, width = profile.size
        lines += (
            f"the profile is of {width} x {height} pixels, the picture has {light.shape[1]} x {light.shape[0]}: "
            "grain is made as coarse in pixels as it was measured",
        )
    return lines


def make_folder(out: Path) -> None:
    with explain_os_error(out.parent):
        out.parent.mkdir(parents=True, exist_ok=True)
