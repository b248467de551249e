"""Every deliberate error of lightstack.

    LightstackError
    ├── MissingInput        (FileNotFoundError) nothing is there
    ├── UnreadableInput     (OSError)           there, but not what it should be: truncated, not a movie
    ├── InputError          (ValueError)        footage that cannot be used as it is
    │   ├── MismatchedInput                     readable, but does not fit the other takes
    │   └── UnusableTake                        readable and fitting, but nothing can be made of it
    ├── SettingError        (ValueError)        a setting that is unknown, out of range or contradictory
    └── OutputError         (OSError)           a result that cannot be written

A deliberate error is one line that names the file, the frame where there is one, what came, what was
expected, and what to do. The command line prints it on stderr and exits with 1. Anything else is a bug
and shows its traceback.
"""

__all__ = [
    "InputError",
    "LightstackError",
    "MismatchedInput",
    "MissingInput",
    "OutputError",
    "SettingError",
    "UnreadableInput",
    "UnusableTake",
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


class SettingError(LightstackError, ValueError):
    """A setting that is unknown, out of range, or contradicts another."""


class OutputError(LightstackError, OSError):
    """A result that cannot be written."""
