"""A light that travels: a sum of stills on every frame, after where the lamp was in each of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.light_path import add_nearness, walk_path
from lightstack.core.lamp.travel import plan_travel
from lightstack.core.lamp.travel_blend import StillBlend
from lightstack.core.lamp.travel_shade import enlarge_stops, shift_light
from lightstack.core.lamp.view import find_on_map, show_in_picture
from lightstack.errors import SettingError
from lightstack.files.folder import write_whole
from lightstack.files.kept.stack import LightStack
from lightstack.files.shot.schema import Light, LightPath, ShotSettings, Sweep
from lightstack.files.travel_tables import read_track, write_travel
from lightstack.jobs.light.filled import FilledStills, fill_or_recall
from lightstack.jobs.light.groups import find_stills
from lightstack.jobs.light.lamp_places import StillPlaces, places_or_recall
from lightstack.jobs.light.plates import find_sweep, name_light_file, notes_of
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import BuiltSweep, FloatArray, LightWay, Progress, StillNotes
from lightstack.report.lights import plot_way
from lightstack.report.phrases import say_ranges

__all__ = ["PlannedPath", "Travel", "TravellingLight", "plan_or_recall", "plan_path", "read_points", "sum_stills"]

FEWEST_STILLS = 2
OUTSIDE = 0.5  # of the width: a path this far beyond the picture is likely a slip


@dataclass(frozen=True, slots=True, eq=False)
class TravellingLight:
    """A light that is another picture on every frame: ``weights`` (F, K) and ``path`` (F, 3) from
    ``first_frame`` on; ``known``: where the lamp was; ``tint`` colours it."""

    stack: LightStack
    weights: NDArray[np.float64]
    path: NDArray[np.float64]
    known: StillPlaces
    first_frame: int
    tint: Callable[[FloatArray], FloatArray]

    def at(self, shot_frame: int) -> FloatArray:
        """Return the light at full mix on a frame, (H, W, 3); beyond the ends it stays where it was."""
        row = min(max(shot_frame - self.first_frame, 0), len(self.weights) - 1)
        used = np.flatnonzero(self.weights[row])
        shifts = shift_light(self.known.places.lit_set, self.known.stills[used], self.path[row])
        return self.tint(sum_stills(self.stack, self.weights[row], shifts=shifts))


@dataclass(frozen=True, slots=True, eq=False)
class PlannedPath:
    """A light's way, frame by frame: ``shown`` (F, 3) x, y and near as asked, ``path`` (F, 3) in the lamp map as kept,
    ``weights`` (F, K) over all stills, ``clamped`` (F,) how far it was brought back, in units of the map."""

    shown: NDArray[np.float64]
    path: NDArray[np.float64]
    weights: NDArray[np.float64]
    clamped: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Travel:
    """A planned travel: ``weights`` (F, K) over all stills on every frame of its way, and what was written of it."""

    filled: FilledStills
    weights: NDArray[np.float64]
    way: LightWay
    known: StillPlaces
    files: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]

    @property
    def inputs(self) -> dict[str, Any]:
        """What frames depend on by it."""
        return {
            "stills": self.filled.inputs,
            "first": self.way.first_frame,
            "weights": np.round(self.weights, 9).tolist(),
            "path": np.round(self.way.path, 9).tolist(),
        }

    def open(self, tint: Callable[[FloatArray], FloatArray]) -> TravellingLight:
        """Open the stills for reading."""
        way = self.way
        return TravellingLight(self.filled.open(), self.weights, way.path, self.known, way.first_frame, tint)


def plan_or_recall(
    delivery: Delivery,
    settings: ShotSettings,
    light: Light,
    built: BuiltSweep,
    frames: tuple[int, int],
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> Travel:
    """Plan a light's travel over shot ``frames`` (inclusive); what it needs of its sweep is made or recalled.

    Raises SettingError where there are too few stills, or no place of the lamp can be found.
    """
    assert light.path is not None  # the schema asks for it
    sweep, notes = find_sweep(settings, light), notes_of(built)
    choose_stills(light, sweep, notes)  # what is wrong with them is told before anything long begins
    known = places_or_recall(delivery, sweep, built, force=force, progress=progress)
    filled = fill_or_recall(delivery, sweep, built, known, options, force=force, progress=progress)
    way = plan_path(settings, light, light.path, sweep, notes, known, frames)
    stem = name_light_file(delivery, "travel", light)
    write_travel(delivery.folder.file(f"{stem}.csv"), notes.source_frames.tolist(), way.weights, first_frame=frames[0])
    drawn = LightWay(known.places, notes.source_frames, way.path, frames[0])
    write_whole(delivery.folder.file(f"{stem}.png"), plot_way(drawn, form="png", ground="paper"))
    return Travel(
        filled=filled,
        weights=way.weights,
        way=drawn,
        known=known,
        files=(
            *known.files,
            (f"{stem}.csv", f"{light.name}: how much of each still on every frame"),
            (f"{stem}.png", f"{light.name}: its way over the floor plan"),
        ),
        warnings=(*known.warnings, *warn_path(light, known, way.shown, way.clamped, frames)),
    )


def choose_stills(light: Light, sweep: Sweep, notes: StillNotes) -> list[int]:
    """Return the stills that a light travels between. Raises SettingError where there are too few."""
    chosen = find_stills(light, sweep, notes) or list(range(len(notes.source_frames)))
    if len(chosen) < FEWEST_STILLS:
        raise SettingError(
            f"light {light.name}: {len(chosen)} lamp still to travel between, at least {FEWEST_STILLS} are needed: "
            "raise `max_keys`, or name `keys`"
        )
    return chosen


def plan_path(
    settings: ShotSettings,
    light: Light,
    wish: LightPath,
    sweep: Sweep,
    notes: StillNotes,
    known: StillPlaces,
    frames: tuple[int, int],
) -> PlannedPath:
    """Plan a light's way over shot ``frames`` (inclusive). Raises SettingError, and as `read_track` does."""
    chosen = choose_stills(light, sweep, notes)
    shown, path = find_path(settings, wish, known, frames)
    plan = plan_travel(known.stills[chosen], path)
    weights = np.zeros((len(path), len(notes.source_frames)))
    weights[:, chosen] = plan.weights
    return PlannedPath(shown, plan.weights @ known.stills[chosen], weights, plan.clamped)


def find_path(
    settings: ShotSettings, wish: LightPath, known: StillPlaces, frames: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the light's place on every frame: as it shows, x, y and near (F, 3), and in the lamp map (F, 3)."""
    at, places, near = read_points(settings, wish)
    view = known.places.view
    if near is None:
        placed = add_nearness(places, show_in_picture(known.stills, view))
    else:
        placed = np.column_stack([places, near])
    numbers = np.arange(frames[0], frames[1] + 1, dtype=np.float64)
    shown = walk_path(at, placed, numbers, shape=wish.shape)
    return shown, find_on_map(shown, view)


def read_points(
    settings: ShotSettings, wish: LightPath
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None]:
    """Return a path's points: frames (n,), pixels (n, 2), and how near (n,) or None."""
    if wish.track is not None:
        at, places, near = read_track(settings.locate(wish.track))
        return at + wish.track_offset, places, near
    points = wish.points or ()
    table = np.array([[point.frame, point.x, point.y] for point in points], np.float64)
    depths = [point.near for point in points]
    nears = None if any(depth is None for depth in depths) else np.array(depths, np.float64)
    return table[:, 0], table[:, 1:], nears


def warn_path(
    light: Light,
    known: StillPlaces,
    shown: NDArray[np.float64],
    clamped: NDArray[np.float64],
    frames: tuple[int, int],
) -> list[str]:
    """Say where a path left the picture by far, or where the lamp has been."""
    lines = []
    height, width = known.places.view.size
    slack = OUTSIDE * width
    outside = (shown[:, 0] < -slack) | (shown[:, 0] > width + slack) | (shown[:, 1] < -slack)
    outside |= shown[:, 1] > height + slack
    if outside.any():
        named = say_ranges(frames[0] + np.flatnonzero(outside), most=None)
        lines.append(
            f"light {light.name}: its path lies far outside the picture on frames {named}; "
            "places are pixels of the hero"
        )
    unit = known.spacing
    moved = clamped > unit
    if moved.any():
        named = say_ranges(frames[0] + np.flatnonzero(moved), most=None)
        lines.append(
            f"light {light.name}: on frames {named} its path goes where the lamp never was; it is "
            "kept at the border of what was swept: lead it along the floor plan, or sweep there too"
        )
    return lines


def sum_stills(
    stack: LightStack, weights: Sequence[float] | NDArray[np.float64], *, shifts: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Return the weighed sum (H, W, 3) of filled stills; ``weights`` (K,).

    ``shifts``: stops (M, h, w) by which those of a weight above 0 change first.
    """
    weights = np.asarray(weights, np.float64)
    used = np.flatnonzero(weights)
    full = (stack.shape.height, stack.shape.width)
    out = np.zeros((*full, 3), np.float32)
    for band in range(stack.shape.bands if len(used) else 0):
        rows = stack.rows_of(band)
        blend = StillBlend(out[rows].shape[:2])
        for k, still in enumerate(used.tolist()):
            lift = None if shifts is None else enlarge_stops(shifts[k], full, rows)
            blend.add(*stack.read_light(band, still), float(weights[still]), lift)
        out[rows] = blend.finish()[0]
    return out
