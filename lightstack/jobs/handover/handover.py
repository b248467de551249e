"""`lightstack handover`: a finished shot as a folder that any compositor or 3D artist can use."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lightstack import __version__
from lightstack.errors import UnreadableInput
from lightstack.files.folder import steady_folder, write_json, write_whole
from lightstack.files.handover.folder import (
    CHECKS,
    check_target,
    handed_whole,
    link_or_copy,
    list_handed,
    mark,
    write_sums,
)
from lightstack.files.handover.otio import find_missing_media, has_otio, write_timeline
from lightstack.files.handover.usd import UsdScene, count_lights, has_usd, write_lights
from lightstack.files.kept.identity import hash_file
from lightstack.files.shot.shotfile import read_shot
from lightstack.files.tables import timecode_at, write_csv
from lightstack.files.write.plates import read_exr, read_exr_headers, write_exr
from lightstack.jobs.handover.build import FinishedBuild, FrameSet, open_finished
from lightstack.jobs.handover.checks import CheckedPicture, check_pictures, check_sequence, check_stack, check_sums
from lightstack.jobs.handover.lights import HandedLight, gather_lights, make_lamp
from lightstack.jobs.handover.text import (
    fails_flashes,
    list_unchecked,
    list_warnings,
    say_flashes,
    say_usd,
    write_readme,
)
from lightstack.jobs.handover.tracks import list_tracks
from lightstack.jobs.takes.options import BuildOptions, BuildResult
from lightstack.records import MixCurve, Progress
from lightstack.records.handover import LightExtras, StillWeights

__all__ = ["hand_over"]

README, LIGHTS, TIMELINE = "README.txt", "lights.usda", "shot.otio"
MOVIES = (".mov", ".mkv", ".mp4")


@dataclass(slots=True)
class Handing:
    """A hand-over while it is written: ``expected`` name -> checksum of the build, None for what is made here."""

    build: FinishedBuild
    folder: Path
    expected: dict[str, str | None] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def link(self, name: str, target: str) -> None:
        """Hand a file of the build over under another name."""
        link_or_copy(self.build.delivery.folder.file(name), self.make(target))
        self.expected[target] = self.build.outputs[name][1]

    def make(self, target: str) -> Path:
        """Return the path of a file that is about to be written."""
        path = self.folder / target
        path.parent.mkdir(parents=True, exist_ok=True)
        self.expected[target] = None
        return path


def hand_over(
    shot_path: Path,
    folder: Path,
    *,
    options: BuildOptions,
    replace: bool = False,
    extras: Mapping[str, LightExtras] | None = None,
    progress: Progress,
) -> BuildResult:
    """Write a finished build as a hand-over, whole or not at all.

    ``replace``: a former hand-over may give way. ``extras``: by light, what only some lights have.

    Raises
    ------
    LightstackError
        One line where the build is not whole and current, a file has changed or holds what is no number, or the folder
        cannot be written.
    """
    settings = read_shot(shot_path)
    check_target(folder, settings.out, replace=replace)
    with steady_folder(settings.out):
        build = open_finished(settings, options)
        lights = gather_lights(build, extras or {}, options)
        with handed_whole(folder) as part:
            handing = Handing(build, part)
            with progress.step("hand over", None):
                stills = put_build(handing)
                for light in lights:
                    put_light(handing, light)
                put_scene(handing, lights)
                put_timeline(handing, lights)
                handing.make(README)
                write_whole(part / README, write_readme(build, lights, handing.expected).encode())
            checks = check_all(handing, lights, stills, progress=progress)
    if fails_flashes(build):
        handing.warnings.insert(0, f"flashing light: {say_flashes(build)}")
    warnings = tuple(dict.fromkeys(handing.warnings))
    return BuildResult(folder, tuple(list_handed(folder)), warnings=warnings, numbers=checks)


def put_build(handing: Handing) -> dict[str, dict[int, str]]:
    """Hand over what the build wrote; return by light stack the stills, by source frame."""
    build, stem = handing.build, handing.build.delivery.stem
    single = len(build.sweeps) == 1
    stills: dict[str, dict[int, str]] = {}
    for sweep in build.sweeps:
        stack = stem("light_stack", None if single else sweep.report.name) + ".exr"
        target = "light_stack.exr" if single else f"light_stack_{sweep.report.name}.exr"
        handing.link(stack, target)
        stills[target] = put_stills(handing, stack, sweep.report.name, sweep.primaries)
    for name in list_plates(build):
        handing.link(name, f"plates/{name}")
    for name in build.outputs:
        if name.startswith(f"{build.delivery.prefix}grain") and name.endswith(".json"):
            handing.link(name, f"grain/{name}")
        elif name.endswith(MOVIES):
            handing.link(name, f"movies/{name}")
    if build.sweeps:
        handing.link("key_frames.csv", "stills/key_frames.csv")
    for frames in build.sequences:
        for name in frames.names.values():
            handing.link(name, f"elements/{frames.element}/{name}")
    return stills


def list_plates(build: FinishedBuild) -> list[str]:
    """Return every picture that stands for the whole shot, relight plates and clean plates, each with its PNG."""
    numbered = {name for frames in build.sequences for name in frames.names.values()}
    stack = build.delivery.stem("light_stack").removesuffix(build.delivery.suffix)
    plates = [n for n in build.outputs if n.endswith(".exr") and n not in numbered and not n.startswith(stack)]
    shown = [plate.removesuffix(".exr") + ".png" for plate in plates]
    return [*plates, *(name for name in shown if name in build.outputs)]


def put_stills(handing: Handing, stack: str, sweep: str, primaries: str) -> dict[int, str]:
    """Write every lamp still of a stack as a picture of its own, one at a time; return the names by source frame."""
    path, names = handing.build.delivery.folder.file(stack), {}
    for index, part in enumerate(read_exr_headers(path)):
        if not part.name.startswith("still_"):
            continue
        frame = int(part.attributes["source_frame"])
        names[frame] = f"stills/{sweep}.{frame:04d}.exr"
        said: dict[str, str | int] = {"take": str(part.attributes["take"]), "source_frame": frame}
        write_exr(handing.make(names[frame]), read_exr(path, index), primaries=primaries, attributes=said)
    return names


def put_light(handing: Handing, light: HandedLight) -> None:
    """Write a light's mix, and its weights of stills where it is made of chosen ones."""
    name = light.settings.name
    handing.link(handing.build.mix_name(name), f"mix/{name}.csv")
    write_json(handing.make(f"mix/{name}.json"), describe_mix(name, light.mix))
    weights = light.extras.weights
    if weights is not None:
        columns = [f"still_{frame:05d}" for frame in weights.source_frames]
        rows = [[int(frame), *row] for frame, row in zip(weights.frames, weights.weights.tolist(), strict=True)]
        write_csv(handing.make(f"weights/{name}.csv"), ("frame", *columns), rows)
        write_json(handing.make(f"weights/{name}.json"), describe_weights(name, light.sweep.report.name, weights))


def describe_mix(name: str, mix: MixCurve) -> dict[str, Any]:
    """Return a mix as plain values; where the light is off its stops are null."""
    stops = [None if gain == 0 else round(stop, 6) for gain, stop in zip(mix.gains, mix.stops.tolist(), strict=True)]
    return {"light": name, "first_frame": mix.first_frame, "gain": mix.gains.tolist(), "stops": stops}


def describe_weights(name: str, sweep: str, weights: StillWeights) -> dict[str, Any]:
    """Return weights of stills as plain values."""
    return {
        "light": name, "sweep": sweep, "source_frames": list(weights.source_frames),
        "frames": weights.frames.tolist(), "weights": weights.weights.tolist(),
    }  # fmt: skip


def put_scene(handing: Handing, lights: tuple[HandedLight, ...]) -> None:
    """Write the lights as USD, or say in one line why not."""
    build = handing.build
    if not lights or build.hero is None:
        handing.warnings.append(f"{LIGHTS}: not written, the shot has no [[light]]")
        return
    if not has_usd():
        handing.warnings.append(f"{LIGHTS}: not written, usd-core is not installed; `pip install usd-core` and again")
        return
    handing.warnings += [
        f"light {light.settings.name}: its colour lies outside Rec.709, which USD colours are in; the nearest "
        "without a negative channel is given"
        for light in lights
        if light.colour.held
    ]
    lamps, words = tuple(make_lamp(light) for light in lights), say_usd(build, lights)
    scene = UsdScene(build.settings.shot.name, build.hero.frames, build.hero.rate, words, lamps, build.view)
    write_lights(handing.make(LIGHTS), scene)


def put_timeline(handing: Handing, lights: tuple[HandedLight, ...]) -> None:
    """Write the timeline, or say in one line why not."""
    build = handing.build
    if build.hero is None or build.hero.rate is None:
        why = "the shot has no [takes.hero]" if build.hero is None else "no frame rate is known; set [shot] rate"
        handing.warnings.append(f"{TIMELINE}: not written, {why}")
        return
    if not has_otio():
        handing.warnings.append(
            f"{TIMELINE}: not written, opentimelineio is not installed; `pip install opentimelineio` and again"
        )
        return
    (first, last), (begin, end) = build.hero.frames, build.hero.cut
    movies = [name for name in handing.expected if name.endswith(MOVIES)]
    facts = {"frames": f"{first}-{last}", "cut": f"{begin}-{end}", "numbers": "shot frames"}
    timecode = timecode_at(build.hero.timecode, begin - first, build.hero.rate)
    write_timeline(
        handing.make(TIMELINE), build.settings.shot.name, list_tracks(build, lights, movies), rate=build.hero.rate,
        timecode=timecode, facts=facts,
    )  # fmt: skip


def check_all(
    handing: Handing, lights: tuple[HandedLight, ...], stills: Mapping[str, Mapping[int, str]], *, progress: Progress
) -> dict[str, Any]:
    """Look at everything that was written, and write down what was found; return it in figures."""
    build, folder = handing.build, handing.folder
    sums = check_sums(folder, handing.expected, out=build.delivery.folder.path, progress=progress)
    pictures = check_pictures(folder, list(sums), progress=progress)
    sequences = [check_sequence(build, one, pictures_of(one, pictures)) for one in build.sequences]
    stacks = [check_stack(name, pictures[name], held) for name, held in stills.items()]
    for name in (LIGHTS, TIMELINE):
        if name in sums:
            check_scene(folder / name, len(lights))
    hero = build.hero
    found: dict[str, Any] = {
        "files": len(sums) + 2,
        "checksums as built": sum(digest is not None for digest in handing.expected.values()),
        "pictures read back": len(pictures),
        "NaN or Inf": 0,
        "missing frames": 0,
    }
    mark(
        folder,
        {
            "made_by": f"lightstack {__version__}",
            "shot": build.settings.shot.name,
            "version": build.settings.shot.version,
            "frames": None if hero is None else {"built": list(hero.frames), "cut": list(hero.cut)},
            "rate": None if hero is None or hero.rate is None else str(hero.rate),
            "primaries": build.primaries,
            "found": found,
            "sequences": sequences,
            "stacks": stacks,
            "lights": [light.settings.name for light in lights],
            "flashing_light": say_flashes(build),
            "not_checked": list_unchecked(build),
            "warnings": [*handing.warnings, *list_warnings(build)],
        },
    )
    write_sums(folder, [*sums.items(), (CHECKS, hash_file(folder / CHECKS))])
    return {"checked": found}


def pictures_of(frames: FrameSet, pictures: Mapping[str, CheckedPicture]) -> list[CheckedPicture]:
    """Return the pictures of a sequence, in order."""
    return [pictures[f"elements/{frames.element}/{name}"] for name in frames.names.values()]


def check_scene(path: Path, lights: int) -> None:
    """Read USD or a timeline back. Raises UnreadableInput where it does not hold what it should."""
    if path.name == LIGHTS:
        count = count_lights(path)
        if count != lights:
            raise UnreadableInput(f"{path.name}: holds {count} lights, the shot has {lights}")
        return
    missing = find_missing_media(path)
    if missing:
        raise UnreadableInput(f"{path.name}: names {missing[0]}, which is not in the hand-over")
