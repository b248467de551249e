"""Where the lamp was on every lit frame of a sweep: noted while it is built, worked out when somebody asks for it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.lamp_map import map_lamps
from lightstack.core.lamp.travel import usual_spacing
from lightstack.core.lamp.view import show_in_picture
from lightstack.errors import OutputError, SettingError, UnusableTake
from lightstack.files.folder import read_json, write_json, write_whole
from lightstack.files.kept.keep import keep_record, recall_or_none
from lightstack.files.shot.schema import Sweep
from lightstack.files.tables import write_csv
from lightstack.jobs.light.plates import notes_of
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.sweep.lamp_shades import SHADES, recall_shades
from lightstack.records import BuiltSweep, LampPlaces, Progress
from lightstack.report.floor_plan import plot_floor_plan

__all__ = ["StillPlaces", "places_are_current", "places_or_none", "places_or_recall"]

SCHEMA = 1
REFUSED = "places_refused.json"
DOUBTFUL = 0.35  # misfit (natural logarithm) from which a map is told to be rough


@dataclass(frozen=True, slots=True, eq=False)
class StillPlaces:
    """``places`` of every lit frame, ``stills`` (K, 3) those of the lamp stills in the map, and what was written."""

    places: LampPlaces
    stills: NDArray[np.float64]
    files: tuple[tuple[str, str], ...]
    warnings: tuple[str, ...]

    @property
    def spacing(self) -> float:
        """How far from one still to the next, in units of the map."""
        return usual_spacing(self.stills)


def places_or_recall(
    delivery: Delivery, sweep: Sweep, built: BuiltSweep, *, force: bool, progress: Progress
) -> StillPlaces:
    """Work out where the lamp was in a sweep, or take it from the scratch folder; write the table and the floor plan.

    Raises SettingError where the pictures do not tell.
    """
    scratch = delivery.folder.scratch_folder(f"sweep_{sweep.name}")
    kept, source, refused = scratch / "places.npz", scratch / SHADES, scratch / REFUSED
    stem = delivery.stem("lamps", sweep.name)
    files = (
        (f"{stem}.csv", f"where the lamp was on every lit frame of {sweep.name}"),
        (f"{stem}.png", f"floor plan of {sweep.name}: where the lamp was"),
    )
    stage, inputs = name_stage(sweep), places_inputs(delivery, source, built)
    said = str(refused.relative_to(delivery.folder.path))
    places: LampPlaces | None = None
    if not delivery.book.is_due(stage, inputs, force=force):
        if said in delivery.book.list_outputs(stage):
            raise SettingError(say_refused(sweep, str(read_json(refused).get("why"))))
        places = recall_or_none(kept, LampPlaces, progress=progress)
    if places is None:
        shades = recall_shades(scratch)
        try:
            with progress.step(f"where the lamp was in {sweep.name}", None):
                places = map_lamps(shades)
        except UnusableTake as error:
            write_json(refused, {"why": str(error)})  # a result too: the same shades would only say so again
            delivery.book.record(stage, inputs, [said])
            raise SettingError(say_refused(sweep, str(error))) from error
        keep_record(kept, places)
        write_places(delivery, files[0][0], sweep, built, places)
        plan = plot_floor_plan(places, notes_of(built).source_frames, form="png", ground="paper")
        write_whole(delivery.folder.file(files[1][0]), plan)
        outputs = [*(name for name, _ in files), str(kept.relative_to(delivery.folder.path))]
        delivery.book.record(stage, inputs, outputs)
    return StillPlaces(places, place_stills(places, built), files, warn_map(sweep, places))


def say_refused(sweep: Sweep, why: str) -> str:
    """Return the line that says why a sweep has no map."""
    return f"{sweep.name}: where the lamp was cannot be told: {why}"


def name_stage(sweep: Sweep) -> str:
    """Return the name of a sweep's map among the stages."""
    return f"lamp places {sweep.name}"


def places_are_current(delivery: Delivery, sweep: Sweep, built: BuiltSweep) -> bool:
    """Tell whether a sweep's map, or that there is none, needs only to be recalled."""
    source = delivery.folder.scratch_folder(f"sweep_{sweep.name}") / SHADES
    return source.exists() and delivery.book.is_current(name_stage(sweep), places_inputs(delivery, source, built))


def places_or_none(
    delivery: Delivery, sweep: Sweep, built: BuiltSweep, *, force: bool, progress: Progress
) -> StillPlaces | None:
    """Return where the lamp was in a sweep; None where the pictures do not tell."""
    try:
        return places_or_recall(delivery, sweep, built, force=force, progress=progress)
    except SettingError:
        return None


def places_inputs(delivery: Delivery, source: Path, built: BuiltSweep) -> dict[str, Any]:
    """Return everything that a map depends on."""
    if not source.exists():
        raise OutputError(f"{source}: is gone; build again with --force")
    return {
        "schema": SCHEMA,
        "name": delivery.stem("lamps", built.report.name),
        "shades": delivery.book.identity(source),
        "stills": notes_of(built).source_frames.tolist(),
    }


def place_stills(places: LampPlaces, built: BuiltSweep) -> NDArray[np.float64]:
    """Return the map places (K, 3) of the stills; one whose frame has none (too faint) lies between its neighbours."""
    wanted = notes_of(built).source_frames
    return np.stack([np.interp(wanted, places.source_frames, axis) for axis in places.map.T], axis=1)


def write_places(delivery: Delivery, name: str, sweep: Sweep, built: BuiltSweep, places: LampPlaces) -> None:
    """Write where the lamp was, frame by frame: in shot (pixels), as it shows on the floor plan, and in the map."""
    shown = show_in_picture(places.map, places.view)
    keys = set(notes_of(built).source_frames.tolist())
    header = ("take", "source_frame", "key", "in_shot_x", "in_shot_y", "x", "y", "near",
              "map_x", "map_y", "map_z", "spread", "misfit")  # fmt: skip
    rows = [
        (sweep.name, int(n), int(n) in keys, *places.in_shot[k], *shown[k], *places.map[k], places.spread[k],
         places.misfit[k])
        for k, n in enumerate(places.source_frames)
    ]  # fmt: skip
    write_csv(delivery.folder.file(name), header, rows)


def warn_map(sweep: Sweep, places: LampPlaces) -> tuple[str, ...]:
    """Say what of a map is doubtful."""
    lines = []
    if not places.anchored:
        lines.append(
            f"{sweep.name}: the lamp itself never shows in shot, so where it was is told by its light alone; compare "
            "the floor plan with what you did"
        )
    rough = float(np.median(places.misfit))
    if rough > DOUBTFUL:
        factor = np.exp(rough)
        lines.append(f"{sweep.name}: where the lamp was is rough: its light is explained to a factor of {factor:.1f}")
    return tuple(lines)
