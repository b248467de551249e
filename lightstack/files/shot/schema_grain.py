"""``[grain]``: living grain over what is laid and lit."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import Text

__all__ = ["Grain"]


class Grain(Section):
    """``[grain]``"""

    amount: Annotated[float, Field(ge=0, le=2)] = key(
        1.0, "How strong grain is made, against what was measured.", kind="number", unit="share"
    )
    seed: Annotated[int, Field(ge=0, le=2**31 - 1)] = key(
        1, "Grain is the same for the same seed, and other for another.", kind="whole number"
    )
    profile: Text | None = key(
        None,
        "A grain profile that `lightstack grain measure` wrote, relative to the shot file.",
        kind="path",
        shown="measured from the take that `measure` names",
    )
    measure: Literal["hero", "empty"] = key(
        "hero", "The take that grain is measured in where no `profile` is named.", kind="choice"
    )
