"""``[[element]]``: a real thing tossed or falling through the shot, filmed in takes of its own."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_takes import TakeSettings
from lightstack.files.shot.schema_types import Frame, Name, Paths, Polygon, SourceRange, Text

__all__ = ["LAYING", "Element", "ElementWishes"]

LAYING = ("lay", "order", "follow_mix", "after")  # keys that change how a thing is laid, not how it is pulled
MOST_TRIES = 1000


def check_pick(value: object) -> int | str:
    """Which try: "best", or its number."""
    if value == "best" or (isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MOST_TRIES):
        return value  # type: ignore[return-value]
    raise ValueError(f'expected "best", or the number of a try from 1 to {MOST_TRIES}')


Pick = Annotated[Literal["best"] | int, BeforeValidator(check_pick)]


class ElementWishes(Section):
    """``[element.wishes]``"""

    ends_inside: Polygon | None = key(
        None, "Corners of the place where the thing should end.", kind="[[x, y], ...]", unit="pixels", shown="anywhere"
    )
    avoid_figure: bool = key(False, "It should never cross whoever stands in the hero.", kind="yes/no")
    sharp: Annotated[float, Field(ge=0, le=1e3)] = key(1.0, "How much sharp edges count.", kind="number", unit="weight")
    free: Annotated[float, Field(ge=0, le=1e3)] = key(
        1.0, "How much frames without a hand in shot count.", kind="number", unit="weight"
    )


class Element(TakeSettings):
    """``[[element]]``"""

    path: Paths = key(
        ...,
        "The tries: a movie, numbered stills, a folder of stills, or a list of these, each of which is one try.",
        kind="path or list",
        shown="required",
    )
    name: Name = key("element", "Name of the thing.", kind="text", shown="`element`, then `element_2` ...")
    pick: Pick = key(
        "best",
        "Which of the tries in `path` is used: the best by the wishes, or one by number.",
        kind='"best" or number >= 1, <= 1000',
    )
    empty: Text = key(
        "auto",
        "The same framing and light with nothing in it: a take of `[takes]`, or a path.",
        kind="name or path",
        shown="`empty_lit` if there is one, else `empty`",
    )
    frames: SourceRange | None = key(
        None, "Frames of every try to look at, inclusive.", kind="[first, last]", unit="source frame", shown="all"
    )
    at: Frame | None = key(
        None,
        "Frame on which the thing is first seen alone.",
        kind="whole number",
        unit="shot frame",
        shown="the take's first frame lies on the shot's, moved by `offset`",
    )
    offset: Annotated[int, Field(ge=-1_000_000, le=1_000_000)] | None = key(
        None, "By how much the take is moved against the hero.", kind="whole number", unit="frames", shown="0"
    )
    garbage: tuple[Polygon, ...] = key(
        (), "Areas where nothing counts, such as a hand that stays.", kind="list of [[x, y], ...]", shown="none"
    )
    shadow: bool = key(True, "Write the thing's shadow, to be multiplied.", kind="yes/no")
    lay: bool = key(True, "Lay the thing and its shadow in the shot's frames.", kind="yes/no")
    order: Literal["front", "behind"] = key(
        "front", "Whether it is before whoever stands in the hero, or behind, by the hold-out matte.", kind="choice"
    )
    follow_mix: Annotated[float, Field(ge=0, le=2)] = key(
        1.0,
        "How much of every light falls on the thing, with the light's mix; 1 is a guess by physics, 0 none.",
        kind="number",
        unit="share",
    )
    after: Literal["stay", "gone"] = key(
        "stay",
        "What comes after its last frame: where it came to rest it stays to the end of the shot, or it is gone.",
        kind="choice",
    )
    wishes: ElementWishes = key(ElementWishes(), "What the best try is like.", kind="section", shown="no demands")

    @property
    def behind(self) -> bool:
        """Whether it is behind whoever stands in the hero."""
        return self.order == "behind"

    @model_validator(mode="after")
    def _check_place(self) -> Element:
        if self.at is not None and self.offset is not None:
            raise ValueError("takes at or offset, not both")
        return self
