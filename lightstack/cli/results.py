"""What a job made, for people or as JSON."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lightstack.jobs.takes.options import BuildResult

__all__ = ["print_lines", "print_result", "to_plain"]


def print_result(command: str, result: BuildResult, *, quiet: bool, as_json: bool, failed: bool) -> None:
    """Print a result on stdout; where ``failed``, one line on stderr says which takes to shoot again, and that
    frames flash."""
    if as_json:
        answer = {"ok": not failed, "exit": int(failed), "command": command, **to_plain(result)}
        print(json.dumps(answer, ensure_ascii=False, allow_nan=False), flush=True)
    elif not quiet:
        for line in list_lines(result):
            print(line)
    if failed:
        takes = ", ".join(verdict.take for verdict in result.verdicts if verdict.grade == "reshoot")
        parts = [f"to be shot again: {takes}"] if takes else []
        parts += ["the finished frames fail the flash check"] if result.flashes else []
        print(f"lightstack: --strict: {'; '.join(parts)}", file=sys.stderr)


def list_lines(result: BuildResult) -> list[str]:
    """List what people want to read after a job."""
    lines = [f"{verdict.take}: {verdict.grade}. {' '.join(verdict.sentences)}".rstrip() for verdict in result.verdicts]
    lines += [f"warning: {warning}" for warning in result.warnings]
    lines += [f"{label}: {list_figures(value)}" for label, value in result.numbers.items()]
    lines += [f"written: {result.out / name}" for name in result.fold_files()]
    return lines


def list_figures(value: Any) -> str:
    """Write a group of figures in one line, or a single one as it is."""
    if not isinstance(value, Mapping):
        return str(value)
    return "; ".join(f"{name} {figure}" for name, figure in value.items())


def to_plain(value: Any) -> Any:
    """Turn records and numbers into what JSON knows; numbers that are not finite become null."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: to_plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(name): to_plain(item) for name, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(item) for item in value]
    if isinstance(value, (Path, Fraction)):
        return str(value)
    if hasattr(value, "tolist"):  # arrays and numpy's own numbers
        return to_plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def print_lines(command: str, lines: tuple[str, ...], answer: Mapping[str, Any], *, quiet: bool, as_json: bool) -> None:
    """Print lines for people, or the same as JSON."""
    if as_json:
        whole = {"ok": True, "exit": 0, "command": command, **to_plain(answer)}
        print(json.dumps(whole, ensure_ascii=False, allow_nan=False), flush=True)
    elif not quiet:
        for line in lines:
            print(line)
