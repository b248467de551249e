"""Everything that the frames of a shot are made of, gathered from the stages before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.write.plates import read_light
from lightstack.jobs.element.laid_things import ThingLayers
from lightstack.jobs.element.stage import BuiltElements, element_or_recall
from lightstack.jobs.frame.shot_frames import FrameMaker, Grain, Held, LaidLight
from lightstack.jobs.grain.camera import FoundGrain, find_grain
from lightstack.jobs.holdout.figure_light import FoundFigureLight, find_figure_light
from lightstack.jobs.holdout.set_picture import ShotSet, set_or_recall
from lightstack.jobs.holdout.stage import ShotHoldout, holdout_or_recall, make_pose_at, needs_holdout, wanted_set
from lightstack.jobs.light.plates import find_built
from lightstack.jobs.light.regel import ShotRegels, regel_lights
from lightstack.jobs.light.stage import PlayedLights, play_lights
from lightstack.jobs.patch.patch import PatchLayer
from lightstack.jobs.patch.stage import ShotPatches, patch_or_recall
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.takes.options import BuildOptions
from lightstack.jobs.takes.survey import UNKNOWN_NOISE
from lightstack.records import (
    BuiltClean,
    BuiltSweep,
    FloatArray,
    HeroLook,
    LaidFrame,
    MixCurve,
    NoiseModel,
    PatchReport,
    Progress,
)

__all__ = ["PartsRequest", "ShotParts", "gather_parts"]


class Warned(Protocol):
    """A part that may have warnings."""

    @property
    def warnings(self) -> Sequence[str]:
        """One line each."""


@dataclass(frozen=True, slots=True)
class ShotParts:
    """What the frames of a shot are made of. ``more``: what held, figure light, grain and background depend on."""

    delivery: Delivery
    built: Sequence[BuiltSweep]
    mixes: dict[str, MixCurve]
    patched: ShotPatches | None = None
    holdout: ShotHoldout = field(default_factory=ShotHoldout)
    figures: FoundFigureLight = field(default_factory=FoundFigureLight)
    regels: ShotRegels = field(default_factory=ShotRegels)
    played: PlayedLights = field(default_factory=PlayedLights)
    grain: Grain | None = None
    things: ThingLayers | None = None
    background: str | None = None  # file of the bare set, in the folder for results
    more: dict[str, Any] = field(default_factory=dict)
    files: Sequence[tuple[str, str]] = ()
    warnings: Sequence[str] = ()

    @property
    def held(self) -> Held | None:
        """The hold-out matte, where the shot has one."""
        return self.holdout.held

    @property
    def layers(self) -> tuple[PatchLayer, ...]:
        """The patches, in the order in which they are laid."""
        return () if self.patched is None else self.patched.layers

    @property
    def sources(self) -> dict[str, Any]:
        """The files that patches come from, for the manifest."""
        return {} if self.patched is None else self.patched.sources

    def report_patches(self, laid: dict[str, tuple[LaidFrame, ...]]) -> tuple[PatchReport, ...]:
        """Return the patches' sections of the report, with their pictures out of ``laid``."""
        reports = () if self.patched is None else self.patched.built.reports
        return tuple(replace(report, laid=laid.get(report.name, ())) for report in reports)

    @property
    def inputs(self) -> dict[str, Any]:
        """What frames depend on, beside the hero and the shot file's own words."""
        book, folder = self.delivery.book, self.delivery.folder
        return {
            "plates": self.played.inputs,
            "mixes": {name: [mix.first_frame, mix.gains.tolist()] for name, mix in self.mixes.items()},
            "patches": None if self.patched is None else self.patched.inputs,
            "background": None if self.background is None else book.identity(folder.file(self.background)),
            **self.more,
        }

    def make_maker(self, settings: ShotSettings) -> FrameMaker:
        """Read what was written and return what makes the frames."""
        return FrameMaker(
            [self._load_light(light) for light in settings.light],
            patches=self.layers,
            held=self.held,
            figure_light=self.figures.light,
            grain=self.grain,
            things=self.things,
            background=None if self.background is None else self._read(self.background),
        )

    def _load_light(self, light: Light) -> LaidLight:
        """Read a light back as it was written, so that frames show the file and nothing else."""
        return LaidLight(
            light.name,
            self.played.load(light, find_built(self.built, light), self.regels),
            self.mixes[light.name],
            light.lay,
            light.screen_white,
            light.figure_light,
            self.figures.shares.get(light.name),
        )

    def _read(self, name: str) -> FloatArray:
        return read_light(self.delivery.folder.file(name))


@dataclass(frozen=True, slots=True)
class PartsRequest:
    """A shot of which the hero, the sweeps, the mixes and the clean plate are known; ``force``: make all anew."""

    delivery: Delivery
    settings: ShotSettings
    hero: HeroPart
    seen: HeroLook
    built: Sequence[BuiltSweep]
    mixes: dict[str, MixCurve]
    clean: BuiltClean | None
    options: BuildOptions
    force: bool
    progress: Progress


def gather_parts(asked: PartsRequest) -> ShotParts:
    """Build or recall everything that the frames need beside plates and mixes."""
    delivery, settings, hero, seen = asked.delivery, asked.settings, asked.hero, asked.seen
    patched, bare = find_patches(asked), find_bare(asked)
    holdout = holdout_or_recall(
        delivery, settings, hero, seen, bare, asked.options, force=asked.force, progress=asked.progress
    )
    tossed = find_tossed(asked, holdout)
    found = find_grain(delivery, settings, hero, seen, asked.options, force=asked.force, progress=asked.progress)
    noise = UNKNOWN_NOISE if found.grain is None else NoiseModel(found.grain.profile.a, found.grain.profile.b)
    played, regels = find_lights(asked, noise)
    pose_at = make_pose_at(settings, hero, seen.registration)
    figures = find_figure_light(delivery.book, settings, hero, holdout.held, noise, pose_at)
    told = (found, played, regels, tossed)
    return ShotParts(
        delivery,
        asked.built,
        asked.mixes,
        patched=patched,
        holdout=holdout,
        figures=figures,
        regels=regels,
        played=played,
        grain=found.grain,
        things=tossed.make_layers(noise, hero.working),
        background=find_background(settings, bare, asked.clean),
        more=name_inputs(found, holdout, figures, regels, tossed),
        files=(*(f for one in told for f in one.files), *(() if holdout.built is None else holdout.built.files)),
        warnings=join_warnings(patched, holdout, tossed, figures, played, found, regels),
    )


def find_patches(asked: PartsRequest) -> ShotPatches | None:
    """Build or recall the patches; None where the shot has none."""
    if not asked.settings.patch:
        return None
    delivery, clean = asked.delivery, asked.clean
    return patch_or_recall(
        delivery,
        asked.settings,
        asked.hero,
        asked.seen,
        asked.built,
        asked.options,
        plates={} if clean is None else {"clean": delivery.folder.file(clean.plate)},
        force=asked.force,
        progress=asked.progress,
    )


def find_tossed(asked: PartsRequest, holdout: ShotHoldout) -> BuiltElements:
    """Build or recall the tossed things, before or behind whoever the hold-out tells."""
    return element_or_recall(
        asked.delivery,
        asked.settings,
        asked.hero,
        asked.seen,
        None if holdout.held is None else holdout.held.alpha_at,
        holdout.inputs,
        asked.options,
        force=asked.force,
        progress=asked.progress,
    )


def find_lights(asked: PartsRequest, noise: NoiseModel) -> tuple[PlayedLights, ShotRegels]:
    """Build or recall what the lights are made of, and their new colours."""
    delivery, settings, built, hero = asked.delivery, asked.settings, asked.built, asked.hero
    played = play_lights(
        delivery, settings, built, hero.frames, asked.options, force=asked.force, progress=asked.progress
    )
    ceiling = hero.take.info.encoding.ceiling
    regels = regel_lights(
        delivery,
        settings,
        built,
        noise,
        asked.options,
        ceiling=ceiling,
        plates=played.plates,
        progress=asked.progress,
    )
    return played, regels


def name_inputs(
    grain: FoundGrain, holdout: ShotHoldout, figures: FoundFigureLight, regels: ShotRegels, tossed: BuiltElements
) -> dict[str, Any]:
    """Return what the frames depend on by these parts, by name."""
    return {
        "grain": grain.inputs,
        "holdout": holdout.inputs,
        "figure_light": figures.inputs,
        "regels": regels.inputs,
        **({} if tossed.inputs is None else {"things": tossed.inputs}),
    }


def join_warnings(patched: ShotPatches | None, *parts: Warned) -> tuple[str, ...]:
    """Return the warnings of all parts, in order."""
    of_patches = () if patched is None else patched.built.warnings
    return (*of_patches, *(line for part in parts for line in part.warnings))


def find_bare(asked: PartsRequest) -> ShotSet | None:
    """Build or recall the picture of the bare set; None where nothing shows it, or nobody asks for it."""
    settings = asked.settings
    if not needs_holdout(settings) and not wants_background(settings):
        return None
    return set_or_recall(
        asked.delivery,
        settings,
        asked.hero,
        asked.seen,
        asked.built,
        asked.clean,
        asked.options,
        wanted=wanted_set(settings),
        force=asked.force,
        progress=asked.progress,
    )


def wants_background(settings: ShotSettings) -> bool:
    """Tell whether the bare set is written as an element."""
    elements = () if settings.render is None else settings.render.elements
    return bool({"background", "background_lit"} & set(elements))


def find_background(settings: ShotSettings, bare: ShotSet | None, clean: BuiltClean | None) -> str | None:
    """Return the file of the bare set that frames are made of: the clean plate, else what the hold-out is told from."""
    if clean is not None:
        return clean.plate
    return bare.built.file if bare is not None and wants_background(settings) else None
