"""One shot of many that were built together."""

from __future__ import annotations

from dataclasses import dataclass

from lightstack.records.told import Verdict

__all__ = ["BatchShot"]


@dataclass(frozen=True, slots=True)
class BatchShot:
    """What became of a shot. ``shot``, ``out``, ``report``: the shot file, its results and their page, relative to the
    folder of all shots; ``report`` is "" where there is none.

    ``state``: "built" | "failed" | "stopped"; ``unchanged``: what an earlier build made is current. ``line``: why it
    failed. ``flashes``: the finished frames failed the check for flashes.
    """

    shot: str
    name: str
    state: str
    out: str = ""
    report: str = ""
    line: str = ""
    unchanged: bool = False
    flashes: bool = False
    verdicts: tuple[Verdict, ...] = ()
    warnings: tuple[str, ...] = ()
