"""``[flash]``: the check of the finished frames for flashes."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lightstack.files.shot.schema_keys import Section, key

__all__ = ["Flash"]


class Flash(Section):
    """``[flash]``"""

    check: bool = key(True, "Check the finished frames for flashes, in the same pass that makes them.", kind="yes/no")
    peak: Annotated[float, Field(ge=50, le=2000)] = key(
        200.0, "Luminance of white on the screen that BT.1702 is applied with.", kind="number", unit="cd/m2"
    )
