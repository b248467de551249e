"""Every deliberate error of lightstack.

    LightstackError
    ├── MissingInput        (FileNotFoundError) nothing is there
    ├── UnreadableInput     (OSError)           there, but not what it should be: truncated, not a movie
    ├── InputError          (ValueError)        footage that cannot be used as it is
    │   ├── MismatchedInput                     readable, but does not fit the other takes
    │   ├── UnusableTake                        readable and fitting, but nothing can be made of it
    │   └── ChangedInput                        another than it was when the build began
    ├── SettingError        (ValueError)        a setting that is unknown, out of range or contradictory
    ├── OutputError         (OSError)           a result that cannot be written
    └── ClusterError        (OSError)           machines that the work is given to: not there, or not alike

A deliberate error is one line that names the file, the frame where there is one, what came, what was
expected, and what to do. The command line prints it on stderr and exits with 1. Anything else is a bug
and shows its traceback.
"""

__all__ = [
    "ChangedInput",
    "ClusterError",
    "InputError",
    "LightstackError",
    "MismatchedInput",
    "MissingInput",
    "OutputError",
    "SettingError",
    "UnreadableInput",
    "UnusableTake",
    "make_printable",
]


class LightstackError(Exception):
    """Base of every deliberate error; the message is one line for the artist."""

    def __str__(self) -> str:  # OSError's own __str__ would print a tuple
        return str(self.args[0]) if self.args else self.__class__.__name__


class InputError(LightstackError, ValueError):
    """Footage that cannot be used as it is."""


class MissingInput(LightstackError, FileNotFoundError):
    """A path at which nothing lies."""


class UnreadableInput(LightstackError, OSError):
    """A file that is there but is not what it should be."""


class MismatchedInput(InputError):
    """A take that is readable but does not fit the others."""


class UnusableTake(InputError):
    """A take that is readable and fits, but from which nothing can be made."""


class ChangedInput(InputError):
    """A file that changed while something was made of it."""


class SettingError(LightstackError, ValueError):
    """A setting that is unknown, out of range, or contradicts another."""


class OutputError(LightstackError, OSError):
    """A result that cannot be written."""


class ClusterError(LightstackError, OSError):
    """Machines that the work is given to are not there, or not alike."""


def make_printable(text: str, *, most: int | None = None) -> str:
    """Return a text with what a terminal might act on, line ends among it, written out; ``most``: cut to so many."""
    if most is not None and len(text) > most:
        text = f"{text[: most - 3]}..."
    return "".join(one if one.isprintable() else _write_out(one) for one in text)


def _write_out(one: str) -> str:
    code = ord(one)
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(one, f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")
