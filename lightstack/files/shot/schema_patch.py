"""The shot file's patches: part of another take laid over the hero through a mask."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import Frame, FrameRange, MixPoint, MixPoints, Name, Polygon, SourceRange, Text

__all__ = ["Patch", "PatchDrawing", "PatchShape"]


class PatchDrawing(Section):
    """``{ frame = 1010, polygon = [[x, y], ...] }``"""

    frame: Frame = key(
        ...,
        "Frame at which the shape stands like this.",
        kind="whole number",
        unit="shot frame",
        shown="required",
    )
    polygon: Polygon = key(..., "Corners at that frame.", kind="[[x, y], ...]", unit="pixels", shown="required")


class PatchShape(Section):
    """``[[patch.shape]]``"""

    polygon: Polygon | None = key(
        None,
        "Corners of a shape that stands still, as seen at the hero's reference frame.",
        kind="[[x, y], ...]",
        unit="pixels",
        shown="none",
    )
    drawn: tuple[PatchDrawing, ...] = key(
        (),
        "Corners of a shape that moves, drawn at frames and interpolated between.",
        kind="list of { frame, polygon }",
        shown="none",
    )

    @model_validator(mode="after")
    def _check_shape(self) -> PatchShape:
        if (self.polygon is None) == (not self.drawn):
            raise ValueError("needs either polygon or drawn")
        if len({len(drawing.polygon) for drawing in self.drawn}) > 1:
            raise ValueError("every one of drawn needs the same number of corners")
        frames = [drawing.frame for drawing in self.drawn]
        if len(set(frames)) < len(frames):
            raise ValueError("draws one frame twice; each frame of drawn may come once")
        return self


class Patch(Section):
    """``[[patch]]``"""

    name: Name = key("patch", "Name of the patch.", kind="text", shown="`patch`, then `patch_2` ...")
    source: Text = key(
        ...,
        "Where it comes from: a take (`empty`, `empty_lit`, `clean`, `grey`, `hero`; `clean` is the clean plate where "
        "the shot has a `[clean]`), the name of a sweep (its unlit frames), or the path of a plate or take.",
        kind="name or path",
        alias="from",
        shown="required",
    )
    use: SourceRange | None = key(
        None,
        "Frames of that take to use, inclusive; their mean is laid.",
        kind="[first, last]",
        unit="source frame",
        shown="all, spread evenly",
    )
    shape: tuple[PatchShape, ...] = key(
        (), "The mask as polygons; several are joined.", kind="list of sections", shown="none"
    )
    mask: Text | None = key(
        None,
        "The mask as a picture of the hero's size, PNG, TIFF or EXR: white is patched. `name.####.png` is a sequence "
        "numbered by shot frames.",
        kind="path",
        shown="none",
    )
    feather: Annotated[float, Field(ge=0, le=1000)] = key(
        4.0, "Width of the soft border outside the mask.", kind="number", unit="pixels"
    )
    invert: bool = key(False, "Patch everything but the mask.", kind="yes/no")
    strength: MixPoints | None = key(
        None,
        "How much of the patch is laid, 0 to 1, by points as in `light.mix.points`.",
        kind="[[frame, value, shape], ...]",
        unit="shot frame; share",
        shown="1 on every frame",
    )
    match: Literal["around", "even", "off"] = key(
        "around",
        "Exposure and white matched to a ring around the mask: by gains that follow the ring all round, by one gain "
        "for each channel, or not at all.",
        kind="choice",
    )
    frames: FrameRange | None = key(
        None, "Frames to patch, inclusive.", kind="[first, last]", unit="shot frame", shown="all"
    )

    @model_validator(mode="after")
    def _check_patch(self) -> Patch:
        if (self.mask is None) == (not self.shape):
            raise ValueError("needs either mask, a picture, or [[patch.shape]] with a polygon")
        for point in self.strength or ():
            if not isinstance(point.value, str) and not 0 <= point.value <= 1:
                raise ValueError(f"strength runs from 0 to 1, not {point.value}")
        return self

    @property
    def strength_points(self) -> tuple[tuple[int, float | str, str], ...]:
        """The points of the strength, each with its shape; one point of 1 where there are none."""
        points = self.strength or (MixPoint(0, 1.0, None),)
        return tuple((point.frame, point.value, point.shape or "smooth") for point in points)

    @property
    def is_path(self) -> bool:
        """Whether ``from`` names a file and not a take of the shot."""
        return "/" in self.source or "." in self.source
