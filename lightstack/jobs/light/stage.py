"""What every light of a shot is made of: its sweep's plate, a plate of its own, or a sum of stills on every frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.write.plates import read_light
from lightstack.jobs.frame.shot_frames import LightOverTime
from lightstack.jobs.light.plates import find_built, plate_or_recall
from lightstack.jobs.light.regel import ShotRegels
from lightstack.jobs.light.travel import Travel, plan_or_recall
from lightstack.jobs.light.weighed import weigh_or_recall
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, Progress

__all__ = ["PlayedLights", "play_lights"]


@dataclass(frozen=True, slots=True)
class PlayedLights:
    """``plates``: by light, the file of its plate; ``travels``: those that are another picture on every frame."""

    delivery: Delivery | None = None
    plates: dict[str, str] = field(default_factory=dict)
    travels: dict[str, Travel] = field(default_factory=dict)
    files: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def inputs(self) -> dict[str, Any]:
        """What frames depend on by it."""
        if self.delivery is None:
            return {}
        book, folder = self.delivery.book, self.delivery.folder
        return {
            "plates": {name: book.identity(folder.file(file)) for name, file in self.plates.items()},
            "travels": {name: travel.inputs for name, travel in self.travels.items()},
        }

    def load(self, light: Light, built: BuiltSweep, regels: ShotRegels) -> FloatArray | LightOverTime:
        """Return a light at full mix in its colour, as it was written, so that frames show the files."""
        gel, delivery = np.asarray(light.gel, np.float32), self.delivery
        assert delivery is not None  # where there are lights, they were played
        travel = self.travels.get(light.name)
        if travel is not None:
            return travel.open(lambda picture: regels.apply(light.name, picture, delivery, built) * gel)
        plate = read_light(delivery.folder.file(self.plates[light.name]))
        return regels.apply(light.name, plate, delivery, built) * gel


def play_lights(
    delivery: Delivery,
    settings: ShotSettings,
    built: Sequence[BuiltSweep],
    frames: tuple[int, int],
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> PlayedLights:
    """Make or recall what the lights of a shot are made of, over shot ``frames`` (inclusive).

    Raises SettingError for groups, weights and paths that cannot be had.
    """
    plates: dict[str, str] = {}
    travels: dict[str, Travel] = {}
    files: list[tuple[str, str]] = []
    warnings: list[str] = []
    for light in settings.light:
        source = find_built(built, light)
        plates[light.name] = source.plate
        if light.using == "path":
            travel = plan_or_recall(delivery, settings, light, source, frames, options, force=force, progress=progress)
            travels[light.name] = travel
            files += travel.files
            warnings += travel.warnings
        elif light.using == "stills":
            made = weigh_or_recall(delivery, settings, light, source, options, force=force, progress=progress)
            plates[light.name], more = made
            files += more
        elif light.group is not None:
            grouped = plate_or_recall(delivery, settings, light, source, options, force=force, progress=progress)
            plates[light.name], more, said = grouped
            files += more
            warnings += said
    return PlayedLights(delivery, plates, travels, tuple(dict.fromkeys(files)), tuple(warnings))
