"""Every command with its options as text for people; ``python -m lightstack.cli.reference`` prints it."""

from __future__ import annotations

from typing import Any

import typer.main

from lightstack.cli.main import app

__all__ = ["make_reference"]

_EXIT_CODES = (
    "Exit codes: 0 done (warnings allowed), 1 an error (one line on stderr) or, under `--strict`, a take "
    "that should be shot again or frames that flash, 2 wrong usage, 3 `inspect` says that a take should be shot again "
    "or `flash` fails, 130 stopped with Ctrl-C."
)


def make_reference() -> str:
    """Write all commands as Markdown: usage, what it does, one table row for each option."""
    commands: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    blocks = [_write_command(name, command) for name, command in commands.items()]
    return "\n".join([*blocks, _EXIT_CODES]) + "\n"


def _write_command(name: str, command: Any) -> str:
    if getattr(command, "commands", None):  # a group: its own commands, each under both names
        return "\n".join(_write_command(f"{name} {own}", one) for own, one in command.commands.items())
    arguments = [parameter for parameter in command.params if parameter.param_type_name == "argument"]
    options = [parameter for parameter in command.params if parameter.param_type_name == "option"]
    words = [f"{argument.metavar}..." if argument.nargs == -1 else argument.metavar for argument in arguments]
    words += [_spell(option) for option in options if option.required]
    usage = " ".join(["lightstack", name, *words, "[OPTIONS]"])
    lines = [f"### `{usage}`", "", " ".join(command.help.split()), "", "| option | meaning |", "|---|---|"]
    lines += [f"| `{', '.join(_sort(option.opts))}{_value(option)}` | {option.help} |" for option in options]
    return "\n".join(lines) + "\n"


def _sort(names: list[str]) -> list[str]:
    return sorted(names, key=len)


def _spell(option: Any) -> str:
    return f"{_sort(option.opts)[0]}{_value(option)}"


def _value(option: Any) -> str:
    return f" {option.metavar}" if option.metavar and not option.is_flag and not option.count else ""


if __name__ == "__main__":
    print(make_reference(), end="")
