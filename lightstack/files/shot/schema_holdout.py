"""``[holdout]``: who stands before the set, so that the light falls behind him; and the help of hands."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_patch import PatchShape
from lightstack.files.shot.schema_types import FrameRange, Text

__all__ = ["Holdout", "HoldoutMatte", "HoldoutShape"]


class HoldoutShape(PatchShape):
    """``[[holdout.shape]]``"""

    mode: Literal["include", "exclude"] = key(
        "include", "What the shape says of the matte: a figure stands there, or nobody does.", kind="choice"
    )
    feather: Annotated[float, Field(ge=0, le=1000)] = key(
        2.0, "Width of the soft border outside the shape.", kind="number", unit="pixels"
    )
    frames: FrameRange | None = key(
        None, "Frames at which the shape holds, inclusive.", kind="[first, last]", unit="shot frame", shown="all"
    )


class HoldoutMatte(Section):
    """``[holdout.matte]``"""

    path: Text = key(
        ...,
        "A matte made elsewhere, of the hero's size: PNG, TIFF or EXR, white is figure. `name.####.exr` is a sequence; "
        "in its gaps the nearest picture holds.",
        kind="path",
        shown="required",
    )
    channel: Text = key(
        "auto",
        "Channel to read: `R`, `A`, or any other name that the picture has; `auto` takes an alpha that is not the same "
        "everywhere, else the largest of the colours.",
        kind="name",
    )
    invert: bool = key(False, "Black is figure.", kind="yes/no")
    offset: Annotated[int, Field(ge=-10_000_000, le=10_000_000)] = key(
        0, "Added to a shot frame to get the number of its picture.", kind="whole number", unit="frames"
    )
    use: Literal["replace", "add", "cut"] = key(
        "replace",
        "In place of the matte that is pulled here, added to it, or cut out of it.",
        kind="choice",
    )


class Holdout(Section):
    """``[holdout]``"""

    source: Text = key(
        "auto",
        "What the figure is told from: a take (`empty_lit`, `empty`, `clean`), a sweep (its unlit frames), `auto` (the "
        "first of these that is there), or `none` (no matte is pulled).",
        kind="name",
        alias="from",
    )
    grow: Annotated[float, Field(ge=-100, le=100)] = key(
        0.0, "By how much the matte is widened; below 0 it is narrowed.", kind="number", unit="pixels"
    )
    soften: Annotated[float, Field(ge=0, le=100)] = key(
        0.0, "Softens the matte's edges: standard deviation of the blur.", kind="number", unit="pixels"
    )
    matte: HoldoutMatte | None = key(None, "A matte made elsewhere.", kind="section", shown="none")
    include: Text | None = key(
        None,
        "Painted masks of the hero's size, white where a figure stands; `name.####.png` is numbered by shot frames.",
        kind="path",
        shown="none",
    )
    exclude: Text | None = key(None, "The same, white where nobody stands.", kind="path", shown="none")
    shape: tuple[HoldoutShape, ...] = key(
        (), "Polygons that add to the matte or take away from it, in order.", kind="list of sections", shown="none"
    )

    @model_validator(mode="after")
    def _check_holdout(self) -> Holdout:
        if self.source == "none" and not self.by_hand and (self.grow or self.soften):
            raise ValueError('has nothing to grow or soften with from = "none"; take `grow` and `soften` out')
        return self

    @property
    def by_hand(self) -> bool:
        """Whether anything in it was drawn, painted or made elsewhere."""
        return bool(self.matte or self.include or self.exclude or self.shape)

    @property
    def pulls(self) -> bool:
        """Whether the matte is pulled from the footage."""
        return self.source != "none" and (self.matte is None or self.matte.use != "replace")
