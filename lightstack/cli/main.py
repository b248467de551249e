"""The command line: parse, call one job, print the result.

Jobs are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated, cast

import typer

from lightstack import __version__
from lightstack.cli.build import build
from lightstack.cli.clean import clean
from lightstack.cli.curve import curve
from lightstack.cli.element import element
from lightstack.cli.failures import STOPPED, USAGE, print_failure
from lightstack.cli.flash import flash
from lightstack.cli.grain import grain
from lightstack.cli.handover import handover
from lightstack.cli.inspect import inspect
from lightstack.cli.match import match
from lightstack.cli.new import new
from lightstack.cli.plan import plan
from lightstack.cli.plate import plate
from lightstack.cli.preview import preview
from lightstack.cli.render import render
from lightstack.cli.review import review
from lightstack.errors import LightstackError

__all__ = ["app", "main", "run"]

# BadParameter is a usage error, which is a command-line error; taken from its ancestry because the library
# that defines them is not always importable under a name of its own.
_COMMAND_LINE_ERROR = cast(type[Exception], typer.BadParameter.__mro__[2])

app = typer.Typer(
    name="lightstack",
    help="From a lamp carried round a room to a relight plate, a light stack and a mix.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(build)
app.command()(plate)
app.command()(preview)
app.command()(render)
app.command()(review)
app.command()(handover)
app.command()(curve)
app.command()(match)
app.command()(new)
app.command()(plan)
app.command()(inspect)
app.command()(clean)
app.command()(element)
app.command()(flash)
app.add_typer(grain)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lightstack {__version__}")
        raise typer.Exit


@app.callback()
def _start(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code.

    Notes
    -----
    0 done, 1 deliberate error or a failed verdict under ``--strict``, 2 usage, 3 ``inspect`` says reshoot or
    ``flash`` fails, 130 Ctrl-C. Anything that is
    not a deliberate error is a bug and passes through with its traceback.
    """
    words = list(arguments)
    as_json = "--json" in words
    try:
        code = app(args=words or ["--help"], prog_name="lightstack", standalone_mode=False)
    except (KeyboardInterrupt, typer.Abort):
        _print_stopped(as_json)
        return STOPPED
    except LightstackError as error:
        print_failure(type(error).__name__, str(error), code=1, as_json=as_json)
        return 1
    except _COMMAND_LINE_ERROR as error:
        print_failure("UsageError", _explain_usage(error), code=USAGE, as_json=as_json)
        return USAGE
    except Exception as error:
        if as_json:
            line = f"a fault of lightstack itself ({error}); the traceback is on stderr"
            print_failure(type(error).__name__, line, code=1, as_json=True, to_stderr=False)
        raise
    if code == STOPPED:  # newer versions of the command-line library answer Ctrl-C themselves
        _print_stopped(as_json)
    return code if isinstance(code, int) else 0


def _print_stopped(as_json: bool) -> None:
    line = "stopped; nothing half-written is left behind"
    print_failure("Interrupted", line, code=STOPPED, as_json=as_json)


def _explain_usage(error: Exception) -> str:
    """Make one line of a command-line error, with where to look."""
    format_message = getattr(error, "format_message", error.__str__)
    context = getattr(error, "ctx", None)
    command = context.command_path if context else "lightstack"
    return f"{' '.join(format_message().split()).rstrip('.')}; see {command} --help"


def main() -> None:
    """Run the command line of this process."""
    sys.exit(run(sys.argv[1:]))
