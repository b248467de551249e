"""Everything that the frames of a shot are made of, gathered from the stages before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.write.plates import read_light
from lightstack.jobs.element.laid_things import ThingLayers
from lightstack.jobs.element.stage import element_or_recall
from lightstack.jobs.frame.shot_frames import FrameMaker, Grain, Held, LaidLight
from lightstack.jobs.grain.camera import find_grain
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

__all__ = ["ShotParts", "gather_parts"]


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


def gather_parts(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    mixes: dict[str, MixCurve],
    clean: BuiltClean | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> ShotParts:
    """Build or recall everything that the frames need beside plates and mixes."""
    patched: ShotPatches | None = None
    if settings.patch:
        plates = {} if clean is None else {"clean": delivery.folder.file(clean.plate)}
        patched = patch_or_recall(
            delivery, settings, hero, seen, built, options, plates=plates, force=force, progress=progress
        )
    bare = find_bare(delivery, settings, hero, seen, built, clean, options, force=force, progress=progress)
    holdout = holdout_or_recall(delivery, settings, hero, seen, bare, options, force=force, progress=progress)
    alpha_at = None if holdout.held is None else holdout.held.alpha_at
    tossed = element_or_recall(
        delivery, settings, hero, seen, alpha_at, holdout.inputs, options, force=force, progress=progress
    )
    found = find_grain(delivery, settings, hero, seen, options, force=force, progress=progress)
    noise = UNKNOWN_NOISE if found.grain is None else NoiseModel(found.grain.profile.a, found.grain.profile.b)
    played = play_lights(delivery, settings, built, hero.frames, options, force=force, progress=progress)
    regels = regel_lights(
        delivery, settings, built, noise, options, ceiling=hero.take.info.encoding.ceiling,
        plates=played.plates, progress=progress,
    )  # fmt: skip
    pose_at = make_pose_at(settings, hero, seen.registration)
    figures = find_figure_light(delivery.book, settings, hero, holdout.held, noise, pose_at)
    told = (found, played, regels, tossed)
    return ShotParts(
        delivery,
        built,
        mixes,
        patched=patched,
        holdout=holdout,
        figures=figures,
        regels=regels,
        played=played,
        grain=found.grain,
        things=tossed.make_layers(noise, hero.working),
        background=find_background(settings, bare, clean),
        more={
            "grain": found.inputs,
            "holdout": holdout.inputs,
            "figure_light": figures.inputs,
            "regels": regels.inputs,
            **({} if tossed.inputs is None else {"things": tossed.inputs}),
        },
        files=(*(f for one in told for f in one.files), *(() if holdout.built is None else holdout.built.files)),
        warnings=tuple(
            line
            for one in (*(() if patched is None else (patched.built,)), holdout, tossed, figures, played, found, regels)
            for line in one.warnings
        ),
    )


def find_bare(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    built: Sequence[BuiltSweep],
    clean: BuiltClean | None,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> ShotSet | None:
    """Build or recall the picture of the bare set; None where nothing shows it, or nobody asks for it."""
    if not needs_holdout(settings) and not wants_background(settings):
        return None
    wanted = wanted_set(settings)
    return set_or_recall(
        delivery, settings, hero, seen, built, clean, options, wanted=wanted, force=force, progress=progress
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
