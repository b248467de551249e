"""What the report shows of lights that are more than their sweep's plate."""

from __future__ import annotations

from collections.abc import Sequence

from lightstack.core.colour.display import display_srgb
from lightstack.files.folder import OutFolder
from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.write.plates import read_light
from lightstack.jobs.light.groups import find_stills
from lightstack.jobs.light.plates import find_built, find_sweep, notes_of
from lightstack.jobs.light.stage import PlayedLights
from lightstack.jobs.sweep.pictures import REPORT_WIDTH, shrink_width
from lightstack.records import BuiltSweep, LightReport
from lightstack.report.phrases import say_frames

__all__ = ["report_lights"]


def report_lights(
    folder: OutFolder, settings: ShotSettings, built: Sequence[BuiltSweep], played: PlayedLights
) -> tuple[LightReport, ...]:
    """Return the sections of lights of a group, of weighed stills, and of those that travel, as they were made."""
    own = [light for light in settings.light if light.using != "plate" or light.group is not None]
    return tuple(report_light(folder, settings, light, find_built(built, light), played) for light in own)


def report_light(
    folder: OutFolder, settings: ShotSettings, light: Light, source: BuiltSweep, played: PlayedLights
) -> LightReport:
    """Return one light's section."""
    notes, sweep = notes_of(source), find_sweep(settings, light)
    frames = notes.source_frames.tolist()
    chosen = find_stills(light, sweep, notes) or list(range(len(frames)))
    made = {"path": "travels between", "stills": "weighed from", "plate": "made of"}[light.using]
    numbers = (
        (made, f"{len(chosen)} of {len(frames)} stills of {sweep.name}"),
        *((("group", light.group),) if light.group is not None else ()),
        ("their source frames", say_frames([frames[k] for k in chosen])),
    )
    travel = played.travels.get(light.name)
    if travel is not None:
        return LightReport(light.name, numbers, way=travel.way)
    plate = shrink_width(read_light(folder.file(played.plates[light.name])), REPORT_WIDTH)
    return LightReport(light.name, numbers, picture=display_srgb(plate, source.primaries))
