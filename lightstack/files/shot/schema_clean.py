"""``[clean]``: how a clean plate is made."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import SourceRanges

__all__ = ["Clean"]


class Clean(Section):
    """``[clean]``"""

    takes: tuple[Literal["clean", "hero", "empty", "empty_lit"], ...] = key(
        (),
        "Takes of `[takes]` that the clean plate is made of.",
        kind="list of names",
        shown="`clean` if there is one, else `hero`",
    )
    method: Literal["median", "mean", "sigma_clip", "longest_rest"] = key(
        "median",
        "How frames become one picture; `longest_rest` for people who stand still too long.",
        kind="choice",
    )
    frames: SourceRanges = key(
        (),
        "Frames to use: numbers and [first, last] ranges, in each of the takes.",
        kind="list",
        unit="source frame",
        shown="chosen: spread out, seen often",
    )
    most_frames: Annotated[int, Field(ge=1, le=1024)] = key(
        31, "Most frames to choose.", kind="whole number", unit="frames"
    )
    fill: bool = key(False, "Paint small holes over from what lies round them; they are marked.", kind="yes/no")
