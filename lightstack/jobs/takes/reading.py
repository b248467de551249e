"""How takes are to be read, checked before any footage is opened: a slip costs no time."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from lightstack.core.colour.names import MEASURED, nearest_name
from lightstack.errors import MissingInput, SettingError
from lightstack.files.read.colour import resolve_colour
from lightstack.jobs.takes.options import MEASURED_PAIR, BuildOptions, check_ocio

__all__ = ["check_colour", "check_reading", "check_take_options"]

RANGES = ("auto", "full", "limited")
MATRICES = ("auto", "rgb", "bt601", "bt709", "bt2020")


class Reading(Protocol):
    """The options that say how takes are read; None is a take's own."""

    @property
    def ocio(self) -> Path | None: ...
    @property
    def colour(self) -> str | None: ...
    @property
    def response(self) -> str | None: ...
    @property
    def range(self) -> str | None: ...
    @property
    def matrix(self) -> str | None: ...


def check_take_options(options: Reading) -> None:
    """Refuse a configuration that is not there, and a reading that no take could have. Raises as `check_reading`."""
    if options.ocio is not None:
        check_ocio(BuildOptions(ocio=options.ocio))
    check_reading(
        colour=options.colour,
        response=options.response,
        range=options.range,
        matrix=options.matrix,
        config=options.ocio,
    )


def check_reading(
    *, colour: str | None, response: str | None, range: str | None, matrix: str | None, config: Path | None
) -> None:
    """Refuse a reading that no take could have; None stands for the take's own tags.

    Raises
    ------
    SettingError
        One line naming the option, what came and what was expected.
    MissingInput
        For a response that is not there.
    """
    for option, value, known in (("--range", range, RANGES), ("--matrix", matrix, MATRICES)):
        if value is not None and value not in known:
            near = nearest_name(value, known)
            hint = f"; the nearest is {near}" if near else ""
            raise SettingError(f"{option} {value}: is unknown; use one of {', '.join(known)}{hint}")
    if (colour == MEASURED) != (response is not None):
        raise SettingError(MEASURED_PAIR)
    if response is not None and not Path(response).is_file():
        what = "is a folder" if Path(response).is_dir() else "no such file"
        raise MissingInput(f"--response {response}: {what}; name the file that `lightstack inspect` wrote")
    if colour is not None and colour not in ("auto", MEASURED):
        check_colour(colour, config=config)


def check_colour(colour: str, *, config: Path | None, option: str = "--colour") -> None:
    """Refuse a colour that is neither a curve of ours nor a space of the configuration. Raises SettingError."""
    try:
        resolve_colour(colour, config=config)
    except SettingError as error:
        raise SettingError(f"{option} {colour}: {error}") from None
