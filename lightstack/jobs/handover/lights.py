"""A shot's lights for other programs: the lamp's colour, its level, its mix, and its place where it is known."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.colour.light import convert_matrix
from lightstack.core.lamp.light_path import walk_path
from lightstack.core.lamp.place import PlacedLamp, card_stops, place_path, place_taped
from lightstack.core.lay.regel import lamp_from_plate, regel_gains
from lightstack.errors import SettingError, UnreadableInput
from lightstack.files.handover.tables import read_still_columns
from lightstack.files.handover.usd import UsdLamp, UsdPlace
from lightstack.files.shot.schema import Light
from lightstack.files.tables import read_mix
from lightstack.files.travel_tables import read_weights
from lightstack.files.write.plates import read_light
from lightstack.jobs.handover.build import FinishedBuild
from lightstack.jobs.light.plates import name_light_file
from lightstack.jobs.light.regel import aim_at, find_lamp, read_ambient, read_card
from lightstack.jobs.light.travel import read_points
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, MixCurve
from lightstack.records.handover import LampPath, LightExtras, StillWeights

__all__ = ["LAMP_RADIUS_M", "HandedLight", "find_plate", "gather_lights", "make_lamp"]

LAMP_RADIUS_M = 0.05  # chosen by us: a lamp that is carried in a hand is about 10 cm across
USD_PRIMARIES = "bt709"  # what UsdLux colours are, linear
NO_COLOUR = np.ones(3)


@dataclass(frozen=True, slots=True, eq=False)
class LampColour:
    """``rgb`` (3,) linear Rec.709, largest channel 1; ``level``: how bright gel and new colour leave the lamp, 1 as
    filmed; ``source``: where the lamp's own colour is known from; ``held``: a channel lay outside Rec.709; ``gains``
    (3,): by which a new colour multiplies the plate, None without one."""

    rgb: NDArray[np.float64]
    level: float
    source: str
    held: bool
    gains: NDArray[np.float64] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class HandedLight:
    """A light with all that is handed over of it. ``placed``: in words, how its place is known."""

    settings: Light
    sweep: BuiltSweep
    mix: MixCurve
    colour: LampColour
    place: UsdPlace | None
    placed: str
    extras: LightExtras


def gather_lights(
    build: FinishedBuild, extras: Mapping[str, LightExtras], options: BuildOptions
) -> tuple[HandedLight, ...]:
    """Return every light of the shot. Raises LightstackError where a mix does not hold the shot's frames, or where
    `[camera]` names what is not there."""
    return tuple(gather_light(build, light, extras.get(light.name, LightExtras()), options) for light in
                 build.settings.light)  # fmt: skip


def gather_light(build: FinishedBuild, light: Light, extras: LightExtras, options: BuildOptions) -> HandedLight:
    """Return one light with its mix, colour and place."""
    sweep = next(one for one in build.sweeps if light.source in ("", one.report.name))
    extras = LightExtras(extras.path or find_path(build, light), extras.weights or find_weights(build, light))
    place, placed = find_place(build, light, extras.path)
    return HandedLight(light, sweep, read_own_mix(build, light), find_colour(build, light, sweep, options), place,
                       placed, extras)  # fmt: skip


def find_plate(build: FinishedBuild, light: HandedLight) -> str | None:
    """Return the file of a light's plate; None where it is another picture on every frame."""
    if light.settings.using == "path":
        return None
    own = name_light_file(build.delivery, "light_plate", light.settings) + ".exr"
    return own if own in build.outputs else light.sweep.plate


def find_path(build: FinishedBuild, light: Light) -> LampPath | None:
    """Return where a light that travels is in the picture on every frame of the shot; None where it does not."""
    assert build.hero is not None
    if light.path is None:
        return None
    at, places, _ = read_points(build.settings, light.path)
    frames = np.arange(build.hero.frames[0], build.hero.frames[1] + 1)
    return LampPath(frames, walk_path(at, places, frames.astype(np.float64), shape=light.path.shape))


def find_weights(build: FinishedBuild, light: Light) -> StillWeights | None:
    """Return how much of every still a light takes on every frame; None where it is a plate."""
    assert build.hero is not None
    frames = np.arange(build.hero.frames[0], build.hero.frames[1] + 1)
    if light.weights is not None:
        told = read_weights(build.settings.locate(light.weights))
        row = np.array(list(told.values()), np.float64)
        return StillWeights(frames, tuple(told), np.broadcast_to(row, (len(frames), len(row))))
    name = name_light_file(build.delivery, "travel", light) + ".csv"
    found = read_still_columns(build.delivery.folder.file(name)) if name in build.outputs else None
    return None if found is None else StillWeights(*found)


def read_own_mix(build: FinishedBuild, light: Light) -> MixCurve:
    """Read a light's mix as it was written; it must hold the shot's frames."""
    assert build.hero is not None
    path = build.delivery.folder.file(build.mix_name(light.name))
    mix = read_mix(path)
    frames = (mix.first_frame, mix.first_frame + len(mix.gains) - 1)
    if frames != build.hero.frames:
        first, last = build.hero.frames
        raise UnreadableInput(f"{path}: holds frames {frames[0]} to {frames[1]}, the shot has {first} to {last}; "
                              f"run `lightstack build {build.settings.path}` again")  # fmt: skip
    return mix


def find_colour(build: FinishedBuild, light: Light, sweep: BuiltSweep, options: BuildOptions) -> LampColour:
    """Return the lamp's colour behind the light's new colour and gel; white where the plate tells none."""
    try:
        lamp, source = measure_lamp(build, light, sweep, options)
    except SettingError:
        return LampColour(NO_COLOUR, 1.0, "nothing: the plate holds too little light; white is a stand-in", False)
    wish, gains = light.regel, None
    if wish is not None:
        wanted = aim_at(wish, lamp, sweep.primaries)
        gains = regel_gains(lamp, wanted, sweep.primaries, keep=wish.keep, most_gain=wish.most_gain).gains
    emitted = (lamp if gains is None else lamp * gains) * np.asarray(light.gel, np.float64)
    return replace(scale_lamp(lamp, emitted, sweep.primaries, source), gains=gains)


def scale_lamp(
    lamp: NDArray[np.float64], emitted: NDArray[np.float64], primaries: str, source: str
) -> LampColour:
    """Return a colour in linear Rec.709, its largest channel 1, and its level against the lamp as filmed.

    Notes: a colour that Rec.709 cannot hold has a channel below 0, which no light has: it becomes 0.
    """
    matrix = convert_matrix(primaries, USD_PRIMARIES)
    was, now = np.maximum(matrix @ lamp, 0), matrix @ emitted
    rgb = np.maximum(now, 0)
    top = float(rgb.max())
    if top <= 0:  # a gel that lets nothing through
        return LampColour(np.zeros(3), 0.0, source, False)
    return LampColour(rgb / top, top / float(was.max()), source, bool((now < -1e-6 * top).any()))


def measure_lamp(
    build: FinishedBuild, light: Light, sweep: BuiltSweep, options: BuildOptions
) -> tuple[NDArray[np.float64], str]:
    """Return the lamp's own colour (3,) as filmed, and where it is known from. Raises SettingError."""
    plate = read_light(build.delivery.folder.file(sweep.plate))
    if light.regel is not None:
        ambient: FloatArray | None = read_ambient(build.delivery, sweep)
        return find_lamp(light.regel, build.settings, sweep, plate, ambient, build.noise, options)
    if build.settings.takes.grey is not None:
        return read_card(build.settings, sweep.primaries, options), "the grey card"
    return lamp_from_plate(plate, noise=build.noise), "the plate's mean"


def find_place(build: FinishedBuild, light: Light, path: LampPath | None) -> tuple[UsdPlace | None, str]:
    """Return where a light's lamp was in metres, and how that is known; None where it is not."""
    camera, view = build.settings.camera, build.view
    if camera is None or view is None:
        return None, "not known: place it by eye"
    taped = camera.light or build.settings.light[0].name
    x, y = camera.distance_at
    height, width = view.size
    if not (0 <= x <= width and 0 <= y <= height):
        raise SettingError(
            f"{build.settings.path}: [camera] distance_at = [{x:g}, {y:g}] lies outside the picture of {width} x "
            f"{height}; give the lamp's place in the picture"
        )
    errors: dict[str, Any] = {"pixel_error": camera.pixel_error, "distance_error_m": camera.distance_error_m}
    if path is not None:
        placed = place_path(view, path.pixels, taped_at=(x, y), distance_m=camera.distance_m, **errors)
        frames = tuple(int(frame) for frame in path.frames)
        return as_place(frames, placed), "from its way in the picture, all of it as far in as the lamp was taped"
    if light.name != taped:
        return None, f"not known ([camera] tells that of {taped}): place it by eye"
    return as_place((), place_taped(view, (x, y), camera.distance_m, **errors)), "taped"


def as_place(frames: tuple[int, ...], placed: PlacedLamp) -> UsdPlace:
    """Return places with their errors, to a tenth of a millimetre."""
    return UsdPlace(frames, np.round(placed.points, 4), np.round(placed.errors, 4))


def make_lamp(light: HandedLight, radius_m: float = LAMP_RADIUS_M) -> UsdLamp:
    """Return a light as other programs get it: intensity is the mix, exposure the level of gel and new colour."""
    colour = light.colour
    notes: dict[str, str | float] = {
        "lay": light.settings.lay,
        "sweep": light.sweep.report.name,
        "colour": "linear Rec.709, largest channel 1",
        "colourFrom": colour.source,
        "place": light.placed,
        "reference": "intensity 1 at exposure 0: mix gain 1, the lamp as filmed; a grey card that faces the lamp at "
        "1 m then receives 1 (reads 1 divided by its own reflectance)",
        "stopsToReference": round(card_stops(radius_m), 4),
    }
    level = math.log2(colour.level) if colour.level > 0 else 0.0
    rgb = tuple(float(value) for value in colour.rgb)
    return UsdLamp(
        light.settings.name, light.mix.gains, (rgb[0], rgb[1], rgb[2]), 0.0 if abs(level) < 1e-12 else level,
        radius_m, notes, light.place,
    )  # fmt: skip
