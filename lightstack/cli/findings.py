"""The findings of an inspection, for people or as JSON."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any, TextIO

from lightstack.records import Finding, TakeFindings

if TYPE_CHECKING:
    from rich.console import Console

    from lightstack.jobs.inspect.options import Inspected

__all__ = ["RESHOOT", "print_inspection"]

RESHOOT = 3  # exit code: a take should be shot again
COLOURS = {"good": "green", "usable": "yellow", "reshoot": "bold red"}
NARROW = 100  # columns: below it what to do stands under what was found


def print_inspection(found: Inspected, *, quiet: bool, as_json: bool, strict: bool) -> int:
    """Print what an inspection found on stdout and return the exit code: 0, 3 for reshoot, 1 if ``strict``."""
    code = 0 if found.grade != "reshoot" else 1 if strict else RESHOOT
    if as_json:
        print(json.dumps(describe_inspection(found, code), ensure_ascii=False, allow_nan=False), flush=True)
    elif not quiet:
        print_tables(found, sys.stdout)
    if code == 1:
        takes = ", ".join(take.take for take in found.takes if take.grade == "reshoot")
        print(f"lightstack: --strict: to be shot again: {takes}", file=sys.stderr)
    return code


def describe_inspection(found: Inspected, code: int) -> dict[str, Any]:
    """Return what an inspection found as plain values for JSON."""
    from lightstack.jobs.inspect.options import describe_findings

    return {
        "ok": code == 0,
        "exit": code,
        "command": "inspect",
        "verdict": found.grade,
        "quick": found.quick,
        "takes": [describe_findings(take) for take in found.takes],
        "notes": list(found.notes),
        "out": None if found.out is None else str(found.out),
        "files": list(found.files),
    }


def print_tables(found: Inspected, stream: TextIO) -> None:
    """Print one table for each take, then notes and files."""
    from rich.console import Console

    console = Console(file=stream, highlight=False, emoji=False, markup=False)
    for take in found.takes:
        print_take(console, take)
    for note in found.notes:
        console.print(f"note: {note}", soft_wrap=True)
    for name in found.files:
        console.print(f"written: {found.out / name if found.out else name}", soft_wrap=True)
    if found.quick:
        console.print("a quick look: not every frame was seen; inspect without --quick before the set is struck")


def print_take(console: Console, take: TakeFindings) -> None:
    """Print one take's heading and table."""
    from rich.table import Table
    from rich.text import Text

    heading = Text.assemble((take.take, "bold"), f" ({take.role}): ", (take.grade, COLOURS[take.grade]))
    console.print(heading, soft_wrap=True)
    console.print(Text(take.about, "dim"), soft_wrap=True)
    wide = console.width >= NARROW
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    table.add_column("check", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("found", ratio=3, overflow="fold")
    if wide:
        table.add_column("what to do on set", ratio=2, overflow="fold")
    for finding in take.findings:
        table.add_row(*list_cells(finding, wide=wide))
    console.print(table)
    console.print()


def list_cells(finding: Finding, *, wide: bool) -> list[Any]:
    """Return the cells of one row."""
    from rich.text import Text

    grade = Text(finding.grade, COLOURS.get(finding.grade, "dim"))
    if wide:
        return [finding.check, grade, Text(finding.says), Text(finding.remedy)]
    told = Text(finding.says)
    if finding.remedy:
        told.append(f"\n{finding.remedy}", "bold")
    return [finding.check, grade, told]
