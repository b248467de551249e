"""``[camera]``: what was taped on the set, so that a lamp's place in the picture becomes one in metres."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import Text, is_number

__all__ = ["Camera"]


def check_place(value: object) -> tuple[float, float]:
    """A place in the picture: [x, y] in pixels."""
    numbers = value if isinstance(value, (list, tuple)) else ()
    if len(numbers) != 2 or not all(is_number(n) for n in numbers):
        raise ValueError("expected a place in the picture, [x, y]")
    x, y = float(numbers[0]), float(numbers[1])
    if not (abs(x) <= 1e6 and abs(y) <= 1e6):
        raise ValueError("expected a place in the picture, [x, y] in pixels")
    return x, y


PicturePlace = Annotated[tuple[float, float], BeforeValidator(check_place)]


class Camera(Section):
    """``[camera]``"""

    focal_mm: Annotated[float, Field(ge=1, le=5000)] = key(
        ..., "Focal length as engraved on the lens.", kind="number", unit="mm", shown="required"
    )
    sensor_width_mm: Annotated[float, Field(ge=1, le=200)] = key(
        ...,
        "Width of that part of the sensor that the upright picture's width shows.",
        kind="number",
        unit="mm",
        shown="required",
    )
    height_m: Annotated[float, Field(ge=-100, le=1000)] = key(
        ..., "Height of the lens above the floor.", kind="number", unit="m", shown="required"
    )
    tilt_deg: Annotated[float, Field(ge=-90, le=90)] = key(
        ..., "Tilt of the camera: above 0 it looks up, below 0 down.", kind="number", unit="degrees", shown="required"
    )
    distance_m: Annotated[float, Field(gt=0, le=1000)] = key(
        ..., "One taped distance from the lens to the lamp.", kind="number", unit="m", shown="required"
    )
    distance_at: PicturePlace = key(
        ..., "Where the lamp stood in the picture when it was taped.", kind="[x, y]", unit="pixels", shown="required"
    )
    light: Text | None = key(None, "The `[[light]]` whose lamp that was.", kind="name", shown="the shot's first light")
    distance_error_m: Annotated[float, Field(ge=0, le=100)] = key(
        0.05, "How far off the tape may be.", kind="number", unit="m"
    )
    pixel_error: Annotated[float, Field(ge=0, le=1000)] = key(
        3.0, "How far off the lamp's place in the picture may be.", kind="number", unit="pixels"
    )
