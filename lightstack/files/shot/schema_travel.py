"""The shot file's lights that are made of single stills: groups of a sweep, and a light that travels."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, NamedTuple

from pydantic import BeforeValidator, Field, PlainSerializer, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import (
    MAX_FRAME,
    MAX_PLACE,
    Name,
    SourceRange,
    Text,
    check_exclusion,
    check_frame,
    is_number,
)

__all__ = ["Group", "LightPath", "PathPoint"]


class PathPoint(NamedTuple):
    """Where a light is at a shot frame: pixels of the hero, and how near, 0 far to 1 near (None: as the lamp was)."""

    frame: int
    x: float
    y: float
    near: float | None


def check_path(value: object) -> tuple[PathPoint, ...]:
    """One or more points [frame, x, y] or [frame, x, y, near] in ascending order of frames."""
    if not isinstance(value, (list, tuple)) or not value:
        raise ValueError("expected points as [[frame, x, y], [frame, x, y], ...]")
    points = tuple(check_path_point(point) for point in value)
    for before, after in pairwise(points):
        if after.frame <= before.frame:
            raise ValueError(f"frames must ascend, but {after.frame} follows {before.frame}")
    if len({point.near is None for point in points}) > 1:
        raise ValueError("say how near the light is at every point, or at none")
    return points


def check_path_point(value: object) -> PathPoint:
    """A point of a path: [frame, x, y] or [frame, x, y, near]."""
    if not isinstance(value, (list, tuple)) or len(value) not in (3, 4) or not all(is_number(v) for v in value[1:]):
        raise ValueError("expected points as [frame, x, y] or [frame, x, y, near]")
    frame, x, y = check_frame(value[0]), float(value[1]), float(value[2])
    if max(abs(x), abs(y)) > MAX_PLACE:
        raise ValueError(f"a point at frame {frame} lies at {x:g}, {y:g}; places are pixels of the hero")
    near = float(value[3]) if len(value) == 4 else None
    if near is not None and not 0 <= near <= 1:
        raise ValueError(f"the point at frame {frame} is {near:g} near; 0 is far, 1 is near")
    return PathPoint(frame, x, y, near)


PathPoints = Annotated[
    tuple[PathPoint, ...],
    BeforeValidator(check_path),
    PlainSerializer(lambda points: [[part for part in point if part is not None] for point in points]),
]


def check_stills(value: object) -> tuple[tuple[int | str, int | str], ...]:
    """One range [first, last], or a list of source frames and ranges; as ranges."""
    if not isinstance(value, (list, tuple)) or not value:
        raise ValueError("expected [first, last], or a list of source frames and [first, last] ranges")
    if len(value) == 2 and not any(isinstance(part, (list, tuple)) for part in value):
        return (check_exclusion(value),)
    return tuple(check_exclusion(part) for part in value)


class Group(Section):
    """``[[sweep.group]]``"""

    name: Name = key(..., "Name that a light asks for the group by.", kind="text", shown="required")
    frames: Annotated[tuple[SourceRange, ...], BeforeValidator(check_stills)] = key(
        ...,
        "Stills of the group: those within [first, last], or of a list of frames and such ranges.",
        kind="[first, last] or list",
        unit="source frame",
        shown="required",
    )


class LightPath(Section):
    """``[light.path]``"""

    points: PathPoints | None = key(
        None,
        "Where the light is: [frame, x, y] or [frame, x, y, near], near from 0 to 1.",
        kind="[[frame, x, y, near], ...]",
        unit="shot frame; pixels",
        shown="none",
    )
    track: Text | None = key(
        None, "The same from a table with the columns frame,x,y or frame,x,y,near.", kind="path", shown="none"
    )
    track_offset: Annotated[int, Field(ge=-MAX_FRAME, le=MAX_FRAME)] = key(
        0, "Added to the frames of `track`.", kind="whole number", unit="frames"
    )
    shape: Literal["hold", "linear", "smooth"] = key(
        "smooth", "How the light goes from point to point.", kind="choice"
    )

    @model_validator(mode="after")
    def _check_one(self) -> LightPath:
        if (self.points is None) == (self.track is None):
            raise ValueError("needs either points or track")
        return self
