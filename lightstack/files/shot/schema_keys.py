"""How one key of the shot file is described, and what every section has in common."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

__all__ = ["Section", "key"]


def key(
    default: Any, description: str, *, kind: str, unit: str = "", shown: str | None = None, **limits: Any
) -> Any:
    """Describe one key; ``shown`` is the default in words where the value does not say it."""
    extra: dict[str, Any] = {"kind": kind, "unit": unit, "shown": shown}
    return Field(default, description=description, json_schema_extra=extra, **limits)


class Section(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, populate_by_name=True
    )
