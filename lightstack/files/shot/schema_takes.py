"""The shot file's takes and sweeps."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, PrivateAttr, field_validator, model_validator

from lightstack.core.colour.names import MEASURED
from lightstack.core.shapes import corners_at
from lightstack.errors import make_printable
from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_travel import Group
from lightstack.files.shot.schema_types import (
    MAX_STOPS,
    Gains,
    Name,
    Paths,
    Polygon,
    SourceFrame,
    SourceFrames,
    SourceRange,
    SourceRanges,
    Text,
    White,
    check_source_frame,
)

__all__ = ["Block", "BlockShape", "Sweep", "TakeSettings", "Takes", "Trim"]


class TakeSettings(Section):
    """``[takes.hero]``, ``[takes.empty]``, ``[takes.empty_lit]``, ``[takes.clean]``, ``[takes.grey]``"""

    path: Paths = key(
        ...,
        "A movie, numbered stills (`name.####.exr`), a folder of stills, or a list of these.",
        kind="path or list",
        shown="required",
    )
    colour: Text = key(
        "auto",
        "Encoding of the footage: its own tags, a curve (`slog3`), `curve/primaries`, a space of the "
        "colour configuration, or `measured` (see `response`).",
        kind="name",
    )
    response: Text | None = key(
        None,
        'With `colour = "measured"`: the file by which code values become light, as `lightstack inspect` writes it; '
        "relative to the shot file.",
        kind="path",
        shown="none",
    )
    range: Literal["auto", "full", "limited"] = key("auto", "Range of the code values.", kind="choice")
    matrix: Literal["auto", "rgb", "bt601", "bt709", "bt2020"] = key(
        "auto", "Matrix of the colour differences: the file's tag, else by picture height.", kind="choice"
    )
    use: SourceRange | None = key(
        None, "Source frames to use, inclusive.", kind="[first, last]", unit="source frame", shown="all"
    )
    rotate: Literal["auto", 0, 90, 180, 270] = key(
        "auto", "Turn the picture clockwise.", kind="choice", unit="degrees", shown="as the file says"
    )
    stops: Annotated[float, Field(ge=-MAX_STOPS, le=MAX_STOPS)] | None = key(
        None,
        "How much more exposure than the hero the camera gave; checked against what is measured.",
        kind="number",
        unit="stops",
        shown="the same as the hero",
    )
    white: White | None = key(
        None,
        "White balance of the take against the hero's, as channel gains.",
        kind="[r, g, b]",
        unit="linear gain",
        shown="the same as the hero",
    )
    _folder: Path = PrivateAttr(default=Path())

    @model_validator(mode="after")
    def _check_response(self) -> Self:
        if self.colour == MEASURED and self.response is None:
            raise ValueError('needs response beside colour = "measured": the file that `lightstack inspect` writes')
        if self.colour != MEASURED and self.response is not None:
            raise ValueError(f'has a response, but colour = "{self.colour}": write colour = "measured" to use it')
        return self

    @property
    def response_path(self) -> Path | None:
        """Where the response lies; None without one."""
        return None if self.response is None else self._folder / self.response


class Takes(Section):
    """``[takes]``"""

    hero: TakeSettings | None = key(
        None, "The take that the light is laid on.", kind="section", shown="none: plates only"
    )
    empty: TakeSettings | None = key(
        None, "Same framing, nobody, lamps out.", kind="section", shown="the sweep's own dark frames"
    )
    empty_lit: TakeSettings | None = key(
        None, "Nobody, the hero's fixed lamps on.", kind="section", shown="none"
    )
    clean: TakeSettings | None = key(None, "Material for a clean plate.", kind="section", shown="none")
    grey: TakeSettings | None = key(None, "A grey card under the lamp.", kind="section", shown="none")


class BlockShape(Section):
    """One shape of a moving block: ``{ frame = 40, polygon = [[x, y], ...] }``."""

    frame: SourceFrame = key(
        ...,
        "Frame at which the shape stands like this.",
        kind="whole number",
        unit="source frame",
        shown="required",
    )
    polygon: Polygon = key(
        ..., "Corners at that frame.", kind="[[x, y], ...]", unit="pixels", shown="required"
    )


class Block(Section):
    """A part of the picture marked by hand over some frames of a sweep."""

    frames: SourceRange = key(
        ...,
        "Frames that the mark holds for, inclusive.",
        kind="[first, last]",
        unit="source frame",
        shown="required",
    )
    polygon: Polygon | None = key(
        None, "Corners of a mark that stands still.", kind="[[x, y], ...]", unit="pixels", shown="none"
    )
    shapes: tuple[BlockShape, ...] = key(
        (),
        "Corners of a mark that moves, drawn at frames and interpolated between.",
        kind="list of { frame, polygon }",
        shown="none",
    )
    clear: bool = key(
        False, "Take the area out of what was found covered, in place of adding to it.", kind="yes/no"
    )

    @model_validator(mode="after")
    def _check_shape(self) -> Block:
        if (self.polygon is None) == (not self.shapes):
            raise ValueError("needs either polygon or shapes")
        if len({len(shape.polygon) for shape in self.shapes}) > 1:
            raise ValueError("every one of shapes needs the same number of corners")
        return self

    def corners_at(self, frame: int, resolve: Callable[[int | str], int]) -> NDArray[np.float64]:
        """Return the corners ``(n, 2)`` at a frame of the whole take, in pixels of the hero.

        ``resolve`` turns a source frame as written into a frame of the whole take. Shapes are interpolated
        linearly; before the first and after the last shape they stay.
        """
        if self.polygon is not None:
            return np.array(self.polygon, np.float64)
        shapes = sorted(self.shapes, key=lambda shape: resolve(shape.frame))
        drawn = [np.array(shape.polygon, np.float64) for shape in shapes]
        return corners_at([resolve(shape.frame) for shape in shapes], drawn, frame)


class Trim(Section):
    """What one lamp still is given by hand: ``trim = { "123" = { gain = 0.5 } }``."""

    gain: Annotated[float, Field(ge=0, le=1e4)] = key(
        1.0, "Level of this still.", kind="number", unit="linear gain"
    )
    gel: Gains = key((1.0, 1.0, 1.0), "Colour laid over this still.", kind="[r, g, b]", unit="linear gain")
    mask: Polygon | None = key(
        None,
        "Corners of an area that this still gives nothing to.",
        kind="[[x, y], ...]",
        unit="pixels",
        shown="none",
    )


class Sweep(TakeSettings):
    """``[[sweep]]``"""

    name: Name = key("sweep", "Name of the sweep.", kind="text", shown="`sweep`, then `sweep_2` ...")
    combine: Literal["max", "softmax", "screen", "sum"] = key(
        "max", "Rule that makes one plate of the lamp stills.", kind="choice"
    )
    by: Literal["brightest", "channel"] = key(
        "brightest",
        "Take a pixel whole from the still that is brightest there, or each channel by itself.",
        kind="choice",
    )
    screen_white: Annotated[float, Field(gt=0, le=1e4)] = key(
        1.0, 'White that `combine = "screen"` works against.', kind="number", unit="linear light"
    )
    coverage: Annotated[float, Field(gt=0, le=1)] = key(
        0.995,
        "Stop choosing key frames when they hold this share of what all frames hold.",
        kind="number",
        unit="share",
    )
    max_keys: Annotated[int, Field(ge=1, le=1024)] = key(
        64, "Most key frames to choose; `coverage` mostly ends the choice before.", kind="whole number"
    )
    keys: SourceFrames = key(
        (), "Key frames chosen by hand.", kind="list", unit="source frame", shown="chosen by coverage"
    )
    exclude: SourceRanges = key(
        (),
        "Frames never to use: numbers and [first, last] ranges.",
        kind="list",
        unit="source frame",
        shown="none",
    )
    block: tuple[Block, ...] = key(
        (),
        "Marks by hand where the lamp or its carrier was missed or wrongly found.",
        kind="list of { frames, polygon }",
        shown="none",
    )
    glints: Literal["keep", "one", "drop"] = key(
        "keep",
        "The lamp's reflections in the set: keep all, each glossy patch from a single frame, or none.",
        kind="choice",
    )
    hold_exposure: bool = key(False, "Take out the camera's own drift of exposure and white.", kind="yes/no")
    model: Literal["auto", "none", "translation", "euclidean", "affine", "homography"] = key(
        "auto", "How the camera may have moved.", kind="choice"
    )
    even: Annotated[float, Field(ge=0, le=1)] = key(
        0.0,
        "Bring the stills to one level, for a lamp whose distance varied: 0 as shot, 1 fully.",
        kind="number",
        unit="share",
    )
    floor_sigma: Annotated[float, Field(ge=0, le=100)] = key(
        0.0, "Roll light weaker than this smoothly to zero.", kind="number", unit="noise sigma of one frame"
    )
    smooth: bool = key(
        True,
        "Take the grain of single frames out of the plate where it drowns the light (with `max` and `softmax`).",
        kind="yes/no",
    )
    carry: bool = key(
        True,
        "Carry light on past the masks that cut it off, so that it dies away and leaves no torn edge (with `max` and "
        "`softmax`).",
        kind="yes/no",
    )
    travel_keys: Annotated[int, Field(ge=2, le=1024)] = key(
        48,
        "Key frames in all where a light travels through the sweep: more than coverage asks for are spread over where "
        "the lamp was.",
        kind="whole number",
    )
    group: tuple[Group, ...] = key(
        (),
        "Stills that a light may ask for by name; each lamp-on stretch is one already (`stretch_1` ...).",
        kind="list of { name, frames }",
        shown="none",
    )
    trim: dict[str, Trim] = key(
        {},
        "Gain, gel and mask of single stills by source frame.",
        kind='{ "frame" = { gain, gel, mask } }',
        shown="none",
    )

    @field_validator("group")
    @classmethod
    def _check_groups(cls, groups: tuple[Group, ...]) -> tuple[Group, ...]:
        names = [group.name for group in groups]
        doubled = next((name for name in names if names.count(name) > 1), None)
        if doubled is not None:
            raise ValueError(f'two groups are called "{doubled}"')
        return groups

    @field_validator("trim")
    @classmethod
    def _check_trim(cls, trim: dict[str, Trim]) -> dict[str, Trim]:
        for frame in trim:
            try:
                check_source_frame(int(frame) if re.fullmatch("[0-9]{1,9}", frame) else frame)
            except ValueError as error:
                raise ValueError(f'"{make_printable(frame, most=40)}": {error}') from None
        return trim
