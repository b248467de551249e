"""What the command line (or a script) asks of a job, and what a job answers."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lightstack.core.colour.names import MEASURED
from lightstack.errors import MissingInput, SettingError
from lightstack.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

    from lightstack.files.shot.schema import Sweep
    from lightstack.jobs.spread.pieces import Spread

__all__ = [
    "NONE",
    "BuildOptions",
    "BuildResult",
    "NewResult",
    "PlateOptions",
    "TakeOptions",
    "check_cluster",
    "check_ocio",
    "make_sweep_settings",
    "parse_memory",
]

MEASURED_PAIR = "--colour measured and --response FILE go together; name both, or neither"
NONE = "none"  # as the address of a cluster: work here alone
_HOST_PORT = re.compile(r"(?:(?:tcp|tls)://)?(?:[^\s:/\[\]]+|\[[\w:.%]+\]):(\d{1,5})", re.IGNORECASE)
_UNITS = {"": 1, "k": 2**10, "m": 2**20, "g": 2**30, "t": 2**40}


@dataclass(frozen=True, slots=True, kw_only=True)
class BuildOptions:
    """How to build. None of these changes what a finished result holds, ``ocio`` excepted.

    ``force``: build every stage anew. ``verify``: hash every input again. ``strict``: a take that should
    be shot again is a failure. ``keep_readable``: use what decodes of a truncated movie. ``ocio``: a
    colour configuration in place of the built-in one. ``memory_bytes``: budget of the whole run.
    ``beside``: so many runs share the machine at a time, and its memory where none was named. ``threads``: 0 = as many
    as the machine has. ``cluster``: address of a scheduler whose workers do pieces of the work; "none": nobody
    else does, whatever the shot file says. ``spread``: the same, connected.
    """

    force: bool = False
    verify: bool = False
    strict: bool = False
    keep_readable: bool = False
    ocio: Path | None = None
    memory_bytes: int | None = None
    beside: int = 1
    threads: int = 0
    cluster: str | None = None
    spread: Spread | None = field(default=None, repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOptions(BuildOptions):
    """How takes are read that no shot file names: the keys of a take. ``response``: a measured curve's file."""

    colour: str = "auto"
    response: str | None = None
    range: str = "auto"
    matrix: str = "auto"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateOptions(BuildOptions):
    """How to make a plate without a shot file: the keys of ``[[sweep]]``, with its defaults.

    ``None`` stands for the default of the shot file's key of the same name. ``separate``: also write each
    lamp still as a file of its own.
    """

    keys: tuple[int | str, ...] = ()
    exclude: tuple[Any, ...] = ()
    coverage: float | None = None
    max_keys: int | None = None
    combine: str | None = None
    by: str | None = None
    colour: str | None = None
    response: str | None = None
    range: str | None = None
    matrix: str | None = None
    rotate: int | None = None
    glints: str | None = None
    even: float | None = None
    floor_sigma: float | None = None
    stops: float | None = None
    white: tuple[float, float, float] | None = None
    model: str | None = None
    hold_exposure: bool = False
    separate: bool = False


@dataclass(frozen=True, slots=True)
class BuildResult:
    """What a job made: the folder, the files in it (relative), and what it thinks of the takes.

    ``flashes``: the finished frames failed the check for flashes.
    """

    out: Path
    files: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    numbers: dict[str, Any] = field(default_factory=dict)
    flashes: bool = False

    def fold_files(self) -> tuple[str, ...]:
        """Return the files, the frames of a sequence as one."""
        from lightstack.report.filelist import fold_numbered

        return tuple(name for name, _ in fold_numbered([(name, "") for name in self.files]))


@dataclass(frozen=True, slots=True)
class NewResult:
    """The shot file that was started, and one plain line for each guess."""

    shot_path: Path
    lines: tuple[str, ...]


def make_sweep_settings(sweeps: Sequence[Path], options: PlateOptions) -> Sweep:
    """Check the options of a plate as if they stood in a shot file's ``[[sweep]]``.

    Raises
    ------
    SettingError
        One line naming the option, what came and what was expected.
    """
    from lightstack.files.shot.shotfile import check_sweep

    names = (
        "keys exclude coverage max_keys combine by colour response range matrix rotate glints even floor_sigma "
        "stops white model hold_exposure"
    )
    if (options.colour == MEASURED) != (options.response is not None):
        raise SettingError(MEASURED_PAIR)
    given = {name: getattr(options, name) for name in names.split()}
    # 0 is a value; only what was not typed is left out
    keys = {n: v for n, v in given.items() if not (v is None or v is False or v == ())}
    return check_sweep({"path": [str(path) for path in sweeps], **keys})


def check_ocio(options: BuildOptions) -> None:
    """Refuse a colour configuration that is not there, also where no take would need it. Raises MissingInput."""
    if options.ocio is not None and not options.ocio.is_file():
        raise MissingInput(f"--ocio {options.ocio}: no such file; name a colour configuration, or leave --ocio out")


def check_cluster(options: BuildOptions) -> None:
    """Refuse what cannot be the address of a scheduler, also where nothing is left to do. Raises SettingError."""
    address = options.cluster
    if not address or address == NONE:
        return
    found = _HOST_PORT.fullmatch(address)
    if found is None or not 0 < int(found[1]) < 2**16:
        if "://" not in address and Path(address).is_file():
            return
        raise SettingError(
            f"--cluster {address}: is no address of a scheduler; expected tcp://host:port, tls://host:port, the file "
            "that a scheduler wrote, or none"
        )


def parse_memory(text: str) -> int:
    """Read a memory size such as ``2GiB``, ``1.5 G`` or ``800M`` (powers of 1024) in bytes.

    Raises
    ------
    SettingError
        If it is not a size, or not above zero.
    """
    match = re.match(r"^\s*(\d+(?:\.\d+)?)\s*([kmgt]?)(?:i?b)?\s*$", text, re.IGNORECASE)
    size = float(match[1]) * _UNITS[match[2].lower()] if match else 0.0
    if not 1 <= size < 2**60:
        raise SettingError(f"--memory {text}: is not a size; write it as 2GiB or 800MiB")
    return int(size)
