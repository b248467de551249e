"""``[cluster]``: other machines that work on the shot."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_types import Text

__all__ = ["Cluster"]


class Cluster(Section):
    """``[cluster]``"""

    address: Text = key(
        "tcp://127.0.0.1:8786",
        "Scheduler of Dask's whose workers do pieces of the work: tcp://host:port, tls://host:port, or the path of the "
        "scheduler's file; `--cluster` wins, and `--cluster none` works here alone.",
        kind="address",
    )
    workers: Annotated[int, Field(ge=1, le=10_000)] = key(
        1, "Workers to wait for before the work begins, a minute at most.", kind="whole number"
    )
