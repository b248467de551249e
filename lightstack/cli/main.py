"""The command line: parse, call one job, print the result.

Jobs are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import atexit
import errno
import gc
import os
import signal
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import Annotated, NoReturn, cast

import typer

from lightstack import __version__
from lightstack.cli.batch import batch
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
from lightstack.jobs.watch import Ended, explain_end, go_on_watched

__all__ = ["app", "main", "run", "tell_end"]

# BadParameter is a usage error, which is a command-line error; taken from its ancestry because the library
# that defines them is not always importable under a name of its own.
_COMMAND_LINE_ERROR = cast(type[Exception], typer.BadParameter.__mro__[2])

YOUNG_OBJECTS = 10_000  # made before cycles are looked for; loading libraries makes many that stay, and arrays are none

_NO_PATH = (errno.ENAMETOOLONG, errno.ELOOP)
# What the operating system says of a disk, a network or rights: no fault of the program, wherever it comes up.
_NO_WAY = tuple(
    getattr(errno, name)
    for name in ("EACCES", "EPERM", "EIO", "EROFS", "ENOSPC", "EDQUOT", "EFBIG", "ENODEV", "ENXIO", "ESTALE",
                 "ENOTCONN", "ETIMEDOUT", "EHOSTDOWN", "EREMOTEIO", "EMFILE", "ENFILE")
    if hasattr(errno, name)
)  # fmt: skip

app = typer.Typer(
    name="lightstack",
    help="From a lamp carried round a room to a relight plate, a light stack and a mix.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(build)
app.command()(batch)
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
    except OSError as error:
        if error.errno in _NO_PATH and error.filename:
            line = f"{error.filename}: cannot be a file ({error.strerror}); name a shorter path"
            print_failure("MissingInput", line, code=1, as_json=as_json)
            return 1
        if error.errno in _NO_WAY and error.filename:
            line = f"{error.filename}: cannot be used ({error.strerror}); check the disk, and that you may use the file"
            print_failure(type(error).__name__, line, code=1, as_json=as_json)
            return 1
        _print_fault(error, as_json)
        raise
    except Exception as error:
        _print_fault(error, as_json)
        raise
    if code == STOPPED:  # newer versions of the command-line library answer Ctrl-C themselves
        _print_stopped(as_json)
    return code if isinstance(code, int) else 0


def _print_fault(error: Exception, as_json: bool) -> None:
    """Say as JSON that the fault is not the artist's."""
    if as_json:
        line = f"a fault of lightstack itself ({error}); the traceback is on stderr"
        print_failure(type(error).__name__, line, code=1, as_json=True, to_stderr=False)


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
    """Run the command line of this process, watched over where that can be."""
    gc.set_threshold(YOUNG_OBJECTS)
    ended = go_on_watched()
    if ended is None:
        leave(run(sys.argv[1:]))
    code = tell_end(ended, sys.argv[1:])
    os._exit(code)  # nothing is left to be cleared up here; the usual way out costs as much as all the watching


def leave(code: int) -> NoReturn:
    """End the process that did the work, the short way.

    Notes: the usual way takes libraries down one by one, which costs time, and a decoder that met damaged footage on
    many threads may hang in it.
    """
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError, ValueError):  # closed, or nobody reads any more
            stream.flush()
    os._exit(code)


def tell_end(ended: Ended, words: Sequence[str]) -> int:
    """Return the exit code of a child that has ended; say what happened where it could not do so itself."""
    line = explain_end(ended)
    if line is not None:
        if sys.stderr.isatty():
            print("\r\x1b[K\x1b[?25h", end="", file=sys.stderr)  # ECMA-48: it may have hidden the cursor for its bar
        if ended.own_place or not ended.reading or {"-v", "-vv", "--verbose"} & {*words}:  # a bug shows its traceback
            print(ended.trace, end="", file=sys.stderr)
        print_failure("Crash", line, code=1, as_json="--json" in words)
        return 1
    if ended.signal is not None:  # as it was told from outside: whoever waits for us must see the same
        number = getattr(signal, ended.signal)
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)
    return ended.code
