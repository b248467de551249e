"""How a deliberate error is shown: one line on stderr, and with ``--json`` an object on stdout."""

from __future__ import annotations

import json
import re
import sys

from lightstack.errors import make_printable

__all__ = ["STOPPED", "USAGE", "print_failure"]

_LONG_WORD = re.compile(r"(\S{200})\S{600,}(\S{200})")  # no path is so long; what was pasted by mistake may be
USAGE = 2
STOPPED = 130


def print_failure(kind: str, line: str, *, code: int, as_json: bool, to_stderr: bool = True) -> None:
    """Print an error: what kind, in one line, and the exit code it ends with."""
    line = make_printable(_LONG_WORD.sub(r"\1...\2", " ".join(line.split())))
    if as_json:
        answer = {"ok": False, "exit": code, "error": {"kind": kind, "line": line}}
        print(json.dumps(answer, ensure_ascii=False), flush=True)
    if to_stderr:
        print(f"lightstack: {line}", file=sys.stderr, flush=True)
