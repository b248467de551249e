"""A light of chosen stills: a table says how much of each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lightstack.errors import SettingError
from lightstack.files.shot.schema import Light, ShotSettings
from lightstack.files.travel_tables import read_weights
from lightstack.jobs.light.filled import fill_or_recall
from lightstack.jobs.light.lamp_places import places_or_none
from lightstack.jobs.light.plates import find_sweep, notes_of, own_plate_or_recall
from lightstack.jobs.light.travel import sum_stills
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, Progress, StillNotes

__all__ = ["read_placed_weights", "weigh_or_recall"]


def weigh_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    light: Light,
    built: BuiltSweep,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> tuple[str, list[tuple[str, str]]]:
    """Sum a light's stills by its table of weights; return its file, and all files with what they are.

    Raises SettingError where the table names stills that the sweep does not have.
    """
    sweep, notes = find_sweep(settings, light), notes_of(built)
    weights = read_placed_weights(settings, light, notes)
    places = places_or_none(delivery, sweep, built, force=force, progress=progress)
    filled = fill_or_recall(delivery, sweep, built, places, options, force=force, progress=progress)
    files = own_plate_or_recall(
        delivery,
        light,
        "weighed stills",
        {"filled": filled.inputs, "weights": weights.tolist()},
        lambda: sum_stills(filled.open(), weights),
        primaries=built.primaries,
        force=force,
        progress=progress,
    )
    return files[0][0], files


def read_placed_weights(settings: ShotSettings, light: Light, notes: StillNotes) -> NDArray[np.float64]:
    """Return a light's table of weights (K,) in the order of the stack. Raises SettingError as `place_weights` does."""
    assert light.weights is not None  # the schema asks for it
    return place_weights(read_weights(settings.locate(light.weights)), notes, light)


def place_weights(table: dict[int, float], notes: StillNotes, light: Light) -> NDArray[np.float64]:
    """Return weights (K,) in the order of the stack. Raises SettingError for a still that there is none of."""
    place = {int(frame): k for k, frame in enumerate(notes.source_frames)}
    unknown = [frame for frame in table if frame not in place]
    if unknown:
        chosen = ", ".join(str(frame) for frame in place)
        raise SettingError(
            f"light {light.name}: {light.weights} weighs still {unknown[0]}, but the sweep's stills are {chosen}: "
            "match again, or name the frame in `keys`"
        )
    weights = np.zeros(len(place))
    for frame, weight in table.items():
        weights[place[frame]] = weight
    if not weights.any():
        raise SettingError(f"light {light.name}: every weight of {light.weights} is 0; leave the light out instead")
    return weights
