"""The command line in this process, many times over: its commands are put together once."""

import contextlib
import io
import typing

import typer.main

from lightstack.cli import main

COMMAND = typer.main.get_command(main.app)


def call(words, monkeypatch):
    """Run a command line; the exit code, stdout and stderr."""
    monkeypatch.setattr(main, "app", COMMAND)  # putting the commands together takes longer than most answers
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main.run(words)
    return code, out.getvalue(), err.getvalue()


def list_commands():
    """Every command as the words that call it, and what typer made of it; commands of a group each by themselves."""
    for name, command in COMMAND.commands.items():
        if getattr(command, "commands", None):
            yield from ((f"{name} {inner}", one) for inner, one in command.commands.items())
        else:
            yield name, command


def list_hints():
    """What every command takes, by the words that call it: parameter name -> plain type."""
    groups = [("", main.app), *((f"{one.typer_instance.info.name} ", one.typer_instance) for one in
                                main.app.registered_groups)]  # fmt: skip
    for prefix, app in groups:
        for command in app.registered_commands:
            hints = typing.get_type_hints(command.callback, include_extras=True)
            signature = getattr(command.callback, "__signature__", None)
            if signature is not None:
                hints = {name: one.annotation for name, one in signature.parameters.items()}
            yield prefix + (command.name or command.callback.__name__), {n: plain(h) for n, h in hints.items()}


def plain(hint):
    """``str`` of ``Annotated[str | None, ...]`` and of ``Annotated[list[str], ...]``."""
    while typing.get_origin(hint) is not None:
        hint = next(part for part in typing.get_args(hint) if part is not type(None))
    return hint
