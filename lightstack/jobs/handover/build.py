"""A finished build as a hand-over takes it: whole, of the shot file as it is now, every file as it was written."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from lightstack.core.lamp.place import CameraView
from lightstack.errors import MissingInput, SettingError, UnreadableInput
from lightstack.files.folder import MARK, OutFolder, read_json
from lightstack.files.kept.grain_profiles import read_grain
from lightstack.files.kept.identity import StageBook
from lightstack.files.kept.keep import recall_record
from lightstack.files.shot.schema import ShotSettings
from lightstack.files.shot.schema_render import ELEMENTS
from lightstack.files.tables import timecode_at
from lightstack.jobs.shot.build import ask_for_frames
from lightstack.jobs.shot.frame_tasks import wanted_elements
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart, open_hero
from lightstack.jobs.stage.standing import shot_inputs
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import BuiltSweep, NoiseModel
from lightstack.report.phrases import say_ranges

__all__ = ["FinishedBuild", "FrameSet", "HeroFacts", "open_finished"]

_NUMBERED = re.compile(r"^(?P<stem>.+)\.(?P<number>\d{4,})\.exr$")


@dataclass(frozen=True, slots=True)
class HeroFacts:
    """The hero's time and picture. ``frames``: that were built, handles included; ``cut``: without them; ``timecode``:
    of the first of ``frames``; ``size`` (H, W); ``file``: its name."""

    frames: tuple[int, int]
    cut: tuple[int, int]
    rate: Fraction | None
    timecode: str | None
    size: tuple[int, int]
    pixel_aspect: Fraction
    working: str
    file: str


@dataclass(frozen=True, slots=True)
class FrameSet:
    """Numbered pictures of one element: ``names`` by shot frame, in order. ``whole``: every frame of the shot has
    one."""

    element: str
    stem: str
    what: str
    names: dict[int, str]
    whole: bool

    @property
    def frames(self) -> tuple[int, int]:
        """First and last frame."""
        return next(iter(self.names)), next(reversed(self.names))


@dataclass(frozen=True, slots=True)
class FinishedBuild:
    """What a whole build made: ``outputs`` name -> (what it is, SHA-256), ``sequences`` of frames, ``sweeps``."""

    settings: ShotSettings
    delivery: Delivery
    outputs: dict[str, tuple[str, str]]
    sequences: tuple[FrameSet, ...]
    sweeps: tuple[BuiltSweep, ...]
    hero: HeroFacts | None
    manifest: dict[str, Any]

    @property
    def primaries(self) -> str:
        """Primaries of every picture."""
        return str(self.manifest.get("working_space", {}).get("primaries"))

    @property
    def noise(self) -> NoiseModel:
        """Noise of one pixel, as the build knew it."""
        profile = self.delivery.stem("grain") + ".json"
        if profile not in self.outputs:
            return UNKNOWN_NOISE
        grain = read_grain(self.delivery.folder.file(profile))
        return NoiseModel(grain.a, grain.b)

    @property
    def view(self) -> CameraView | None:
        """The camera, where the shot file has one."""
        camera = self.settings.camera
        if camera is None or self.hero is None:
            return None
        return CameraView(
            camera.focal_mm, camera.sensor_width_mm, self.hero.size, camera.height_m, camera.tilt_deg,
            float(self.hero.pixel_aspect),
        )  # fmt: skip

    def mix_name(self, light: str) -> str:
        """Return the file of a light's mix."""
        return self.delivery.stem("mix", None if len(self.settings.light) == 1 else light) + ".csv"


def open_finished(settings: ShotSettings, options: BuildOptions) -> FinishedBuild:
    """Return the build of a shot file, which must be whole and current.

    Raises
    ------
    LightstackError
        One line: nothing built, not finished, out of date, files or frames missing, names that disagree.
    """
    out, path = settings.out, settings.path
    if not (out / ".lightstack" / MARK).is_file():
        raise MissingInput(f"{out}: nothing is built there; run `lightstack build {path}` first")
    book = StageBook(OutFolder(out), verify=options.verify)
    if not book.list_outputs("shot"):
        raise MissingInput(f"{out}: no build has finished there; run `lightstack build {path}` first")
    settings = find_settings(book, settings, options)
    shot = settings.shot
    delivery = Delivery(book.folder, shot.name, f"{shot.name}_", f"_v{shot.version:03d}", False, book)
    manifest = read_json(out / "manifest.json")
    outputs = read_outputs(delivery, manifest, path)
    with open_hero(settings, options) as hero:
        facts = None if hero is None else describe_hero(settings, hero)
    sequences = find_sequences(delivery, settings, outputs, facts)
    sweeps = [recall_sweep(delivery, sweep.name, path) for sweep in settings.sweep]
    return FinishedBuild(settings, delivery, outputs, sequences, tuple(sweeps), facts, manifest)


def find_settings(book: StageBook, settings: ShotSettings, options: BuildOptions) -> ShotSettings:
    """Return the settings that the last whole build was made with: the file's own, or those of `lightstack render`.

    Raises SettingError where it was neither: the shot file or a take has changed since.
    """
    asked = [settings]
    if settings.render is None and settings.takes.hero is not None:
        asked.append(ask_for_frames(settings))
    for one in asked:
        if book.was_built_from("shot", shot_inputs(book, one, options)):
            return one
    raise SettingError(
        f"{settings.out}: is out of date: {settings.path.name}, a take, or how they are read has changed since it was "
        f"built; run `lightstack build {settings.path}` again"
    )


def read_outputs(delivery: Delivery, manifest: dict[str, Any], path: Any) -> dict[str, tuple[str, str]]:
    """Return name -> (what it is, SHA-256) of everything that the build wrote and that is still there."""
    listed = delivery.book.list_outputs("shot")
    try:
        known = {one["path"]: (str(one["what"]), str(one["sha256"])) for one in manifest["outputs"]}
    except (KeyError, TypeError) as error:
        where = delivery.folder.file("manifest.json")
        raise UnreadableInput(f"{where}: is no manifest; run `lightstack build {path} --force`") from error
    missing = [name for name in listed if not delivery.folder.file(name).is_file()]
    if missing:
        raise MissingInput(
            f"{delivery.folder.path}: {say_files(missing)} {'is' if len(missing) == 1 else 'are'} missing; run "
            f"`lightstack build {path}` again"
        )
    if set(listed) != {*known, "manifest.json"}:
        odd = sorted(set(listed) ^ {*known, "manifest.json"})
        raise UnreadableInput(
            f"{delivery.folder.path}: manifest.json and the last whole build disagree about {say_files(odd)}; run "
            f"`lightstack build {path}` again"
        )
    return known


def say_files(names: Sequence[str]) -> str:
    """Name files: the frames of one sequence as ranges, else the first and how many more."""
    found = [_NUMBERED.match(name) for name in names]
    stems = {match["stem"] if match else None for match in found}
    if len(stems) == 1 and None not in stems and len(names) > 1:
        numbers = sorted(int(match["number"]) for match in found if match)
        return f"frames {say_ranges(numbers, most=None)} of {stems.pop()}"
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more files"


def describe_hero(settings: ShotSettings, hero: HeroPart) -> HeroFacts:
    """Return what a hand-over says of the hero."""
    info, (first, last), handles = hero.take.info, hero.frames, settings.shot.handles
    cut = (first + handles, last - handles) if settings.shot.frames is not None else (first, last)
    return HeroFacts(
        frames=(first, last),
        cut=cut,
        rate=settings.shot.rate or info.rate,
        timecode=timecode_at(info.timecode, first - settings.shot.first_frame, info.rate),
        size=hero.fitted.size,
        pixel_aspect=info.pixel_aspect,
        working=hero.working,
        file=hero.paths[0].name,
    )


def find_sequences(
    delivery: Delivery, settings: ShotSettings, outputs: dict[str, tuple[str, str]], hero: HeroFacts | None
) -> tuple[FrameSet, ...]:
    """Return the numbered pictures of a build, those of whole elements in the order in which they are laid.

    Raises MissingInput where an element that the shot asks for lacks frames.
    """
    found: dict[str, dict[int, str]] = {}
    for name in outputs:
        match = _NUMBERED.match(name)
        if match:
            found.setdefault(match["stem"], {})[int(match["number"])] = name
    order = {delivery.stem(element): element for element in ELEMENTS}
    names = {**{delivery.stem(e): e for e in wanted_elements(settings)}, **{s: order.get(s, "") for s in found}}
    sequences = []
    for stem in sorted(names, key=lambda stem: list(order).index(stem) if stem in order else len(order)):
        numbers = dict(sorted(found.get(stem, {}).items()))
        if stem in order and hero is not None:
            lacking = sorted(set(range(hero.frames[0], hero.frames[1] + 1)) - set(numbers))
            if lacking:
                named = say_ranges(lacking, most=None)
                raise MissingInput(
                    f"{delivery.folder.path}: frames {named} of {stem} are missing; "
                    f"run `lightstack render {settings.path}`"
                )
        if numbers:
            element = order.get(stem) or stem.removeprefix(delivery.prefix).removesuffix(delivery.suffix)
            what = outputs[next(iter(numbers.values()))][0]
            sequences.append(FrameSet(element, stem, what, numbers, stem in order))
    return tuple(sequences)


def recall_sweep(delivery: Delivery, name: str, path: Any) -> BuiltSweep:
    """Return what the build kept of a sweep. Raises UnreadableInput where that is gone."""
    kept = delivery.folder.scratch / f"sweep_{name}" / "built.npz"
    try:
        return recall_record(kept, BuiltSweep)
    except (OSError, ValueError) as error:
        raise UnreadableInput(
            f"{kept}: what the build kept of the sweep cannot be read; run `lightstack build {path} --force`"
        ) from error
