"""A light that travels, as the review page tries it: its way, and how stills change on the way to a place of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from lightstack.core.lamp.travel_shade import shift_light
from lightstack.errors import MissingInput, SettingError
from lightstack.files.shot.schema import Light
from lightstack.jobs.light.lamp_places import StillPlaces
from lightstack.jobs.light.travel import warn_path
from lightstack.jobs.review.changes import read_path
from lightstack.jobs.review.open import ReviewShot
from lightstack.jobs.review.say import list_way, plan_way
from lightstack.jobs.review.stills import PagePicture, pack_picture, to_half

__all__ = ["lift_stills", "try_way"]

MOST_WORDS = 2000  # characters of a list in an address
FARTHEST = 1e3  # units of the map; it is some units wide


def try_way(shot: ReviewShot, light: Light, points: Any, group: Any, known: StillPlaces) -> dict[str, Any]:
    """Return a light's way by points that a page tries, through a group's stills, as a build would have it.

    Raises SettingError for a way that cannot be had.
    """
    wish = read_path(points)
    if light.path is not None:  # what the page does not change stays as the shot file has it
        wish = wish.model_copy(update={"shape": light.path.shape})
    if group is not None and not isinstance(group, str):
        raise SettingError("group: expected a name")
    way = plan_way(shot, light.model_copy(update={"group": group}), wish, known)
    return {
        "weights": list_way(shot.frames[0], way),
        "places": np.round(way.shown, 3).tolist(),
        "clamped": np.round(way.clamped / max(known.spacing, 1e-9), 3).tolist(),
        "warnings": warn_path(light, known, way.shown, way.clamped, shot.frames),
    }


def lift_stills(known: StillPlaces, place: str, stills: str) -> PagePicture:
    """Return the stops by which stills change on the way to a place of the lamp map, half floats.

    ``place``: ``"x,y,z"``; ``stills``: ``"0,4,5"``. The small pictures lie beneath each other in that order.

    Raises MissingInput for what is no place, or no still of the sweep.
    """
    at = np.array(read_numbers(place, "at"))
    wanted = read_numbers(stills, "stills")
    if at.shape != (3,) or not (np.abs(at) <= FARTHEST).all():
        raise MissingInput("at: expected a place of the lamp map, x,y,z")
    if not 0 < len(wanted) <= len(known.stills):
        raise MissingInput(f"stills: expected 1 to {len(known.stills)} of them")
    if not all(number.is_integer() and 0 <= number < len(known.stills) for number in wanted):
        raise MissingInput(f"stills: they are counted from 0 to {len(known.stills) - 1}")
    chosen: NDArray[np.float64] = known.stills[[int(number) for number in wanted]]
    stops = shift_light(known.places.lit_set, chosen, at)
    return pack_picture(to_half(stops.reshape(-1, stops.shape[2])), "r16f")


def read_numbers(text: str, what: str) -> list[float]:
    """Return the numbers of a list with commas. Raises MissingInput."""
    try:
        numbers = [float(part) for part in text[:MOST_WORDS].split(",")]
    except ValueError:
        raise MissingInput(f"{what}: expected numbers with commas between them") from None
    if not np.isfinite(numbers).all():
        raise MissingInput(f"{what}: expected numbers")
    return numbers
